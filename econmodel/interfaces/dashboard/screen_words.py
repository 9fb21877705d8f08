"""What the library says to someone at a command line, in words of the screen: boxes and pages in place of options and verbs."""

from __future__ import annotations

import re

VERBS = "(?:new|case|nnt|sensitivity|psa|budget|surveillance|research|registry|prices|form|workbook|study|checks|where)"
# Whole phrases first, then single options, then whatever option or verb is left, in its own words.
INSTEAD = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r" \(this case, line [^)]*\)", ""),
        (r";? ?--show-words shows them here", ""),
        (r'--word "?[^"]*"?', "in the box for a word that is not known"),
        (r'--map "[^"]*", or --map "[^"]*"', "in the box for a column that is not recognised"),
        (r'--map ("[^"]*"?|\S+)', "in the box for a column that is not recognised"),
        (r"--day-first or --month-first", "in the box for dates"),
        (r"write --years (\S+)/12", r"say \1 months"),
        (r"--treated (\S+) --nnt (\S+)", r"\1 treated patients who bled, and NNT \2"),
        (r"with --show\b", "under The arithmetic"),
        (r"another comparator with --against", "another comparator"),
        (r" \(econmodel form FILE\)", ""),
        (r"run `econmodel where` to list the names", "the page Inputs and sources lists the names"),
        (r"with `econmodel form`", "on the page Inputs and sources"),
        (r"run econmodel case again", "try again"),
        (rf"`?econmodel {VERBS}( [A-Z]+)?`?", "the page for it"),
        (r"--([a-z]+)(?:-([a-z]+))?", lambda found: " ".join(filter(None, found.groups()))),
    )
)
SPOKEN_OF = re.compile(rf"--[a-z]|econmodel {VERBS}|\(this case, line")


def on_screen(words: str) -> str:
    """Say it as the screen does.

    Examples
    --------
    >>> on_screen("2 more with --show.")
    '2 more under The arithmetic.'
    >>> on_screen("say which: --day-first or --month-first")
    'say which: in the box for dates'
    """
    if SPOKEN_OF.search(words):
        for pattern, said in INSTEAD:
            words = pattern.sub(said, words)
    return words
