"""Wrong code on purpose: what the tests do not notice. `python -m tests.mutants --package money --n 40 --seed 1`."""
