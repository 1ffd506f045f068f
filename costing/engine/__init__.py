"""Arrays only: splits, pools, day counts, shares and the solve. Imports numpy, scipy and errors alone."""
