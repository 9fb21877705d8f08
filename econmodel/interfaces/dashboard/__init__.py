"""The dashboard, one file a page: widgets make an override, ``evaluate()`` answers, ``reporting`` words and draws.

No page computes. A change is kept in the same sparse form as a hospital file, so what is on screen can be saved,
sent and run again on the command line.
"""
