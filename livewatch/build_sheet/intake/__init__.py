"""A build as somebody tells it: questions in plain words, the answer so far, the sheet."""
