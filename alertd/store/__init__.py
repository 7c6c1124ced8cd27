"""Tables, migrations and the questions asked of them."""
