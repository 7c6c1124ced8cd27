"""One module per channel, and the rendering of what people read."""
