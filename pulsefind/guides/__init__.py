"""Which recurring sounds can be followed, what they are called, and who leads where."""
