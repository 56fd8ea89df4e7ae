"""At the bench: what this gauge must show on this span, and what its reading meant.

records    what the bench knows of the fleet
spans      a drive's spans by length and name
gauging    how a gauge reads a span, and when it may give no number
target     what the gauge must show, and back: pure numbers
question   one question and its answer
week       several at once
words, as_json, sheet   the answer for people, for scripts, for paper
physics    what the range means for the drive
calibrate  a gauge held to dead weights
"""
