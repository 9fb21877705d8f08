"""Health-economic decision model for the prophylaxis of gastric variceal bleeding.

A planning model for services; it is not advice for a patient.
"""


def __getattr__(name: str) -> str:
    """Tell the version when it is asked for: it takes a look at git in a checkout."""
    if name != "__version__":
        what = f"module 'econmodel' has no attribute {name!r}"
        raise AttributeError(what)
    from econmodel.package import version

    return version()
