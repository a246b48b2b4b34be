"""The two errors that every part of the reader raises."""

from tracer.errors import InputError


def truncated(where: str) -> InputError:
    """Return the error for a file that ends too early."""
    return InputError(f"cut off {where}", hint="get the file again, whole", code="E_TRUNCATED")


def damaged(what: str) -> InputError:
    """Return the error for a file whose content contradicts itself."""
    return InputError(what, hint="get the file again, or export it anew", code="E_DAMAGED")
