"""What was found, in words: the terminal's report, and the sentences that sheet, page and cue sheet share with it."""
