"""The file itself: parts of the package, guards, references, graft and replacement, what tells old results."""
