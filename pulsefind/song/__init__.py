"""The song's file: what a person knows better, kept beside the recording."""
