"""What each kind of the decoder's evidence and each hint is worth."""
