"""Making and training the pulse network: needs PyTorch, tinysoundfont and mido, unlike pulsefind itself."""
