"""The version of this program."""

from importlib.metadata import PackageNotFoundError, version


def own_version() -> str:
    """As installed; in a checkout that was never installed, that is said."""
    try:
        return version("farpole")
    except PackageNotFoundError:
        return "0 (not installed)"
