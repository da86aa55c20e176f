"""From what was heard to counted beats, bars and their grid."""
