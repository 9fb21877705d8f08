"""Words inside sentences."""

from __future__ import annotations


def lower(label: str) -> str:
    """Label inside a sentence: the first letter small unless the first word is an abbreviation.

    Examples
    --------
    >>> lower("No prophylaxis"), lower("EUS-guided coil")
    ('no prophylaxis', 'EUS-guided coil')
    """
    return label if label[:2].isupper() else label[:1].lower() + label[1:]
