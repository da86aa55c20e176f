"""How the reader of bars is taught: whole made songs, what is heard of them, and a small network over their beats."""
