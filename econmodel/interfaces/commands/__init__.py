"""The verbs of the command line, one a file: options, the call, what is printed. Heavy imports happen in the command."""
