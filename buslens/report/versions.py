"""Which programs a report was made with."""


def version_of(package: str = "buslens") -> str:
    """Return the version of an installed package, this one unless another is named."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(package)
    except PackageNotFoundError:
        return "of an unknown version"
