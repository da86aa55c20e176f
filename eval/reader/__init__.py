"""How the reader of bars is trained: whole made songs, what is heard of them, a small network over their beats."""
