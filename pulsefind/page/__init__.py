"""The page and the gig sheet."""
