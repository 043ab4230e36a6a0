"""Judges the log and shows it: effects, figures, the report."""

import os

# The matrices here are small: threads of linear algebra cost more than they give, tenfold on a busy machine.
# It has to be said before numpy is loaded; whoever sets the variable has the last word.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
