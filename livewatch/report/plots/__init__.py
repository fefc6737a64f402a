"""The pictures of a report: each takes what a drive showed, and gives a vector picture or says why there is none."""
