"""The pages behind the links in messages, and the door for returned mail."""
