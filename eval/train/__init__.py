"""Making and training the pulse network: needs PyTorch, and tinysoundfont for SoundFonts (pyproject.toml says how)."""
