"""The verbs of the command line, one a file: options, the call, what is printed. Heavy imports happen in the command."""

from os import environ

# Before NumPy is loaded: products of small matrices on several threads wait for each other, and cost a regression twice its time.
environ.setdefault("OPENBLAS_NUM_THREADS", "1")
