"""Wideband double-balanced diode mixers: reviews, model packages, surroundings, sweeps.

Every argument is given by its name, every name ends with its unit. Tables are dictionaries of columns that data frames
take as they are: ``pandas.DataFrame(review.summary())``. Long calls take ``progress(what, done, total)`` and stop at
Ctrl-C. See docs/python.md.
"""

from ._errors import (
    FileError,
    FindingWarning,
    InputError,
    InternalError,
    MixwrightError,
    NoSolutionError,
    OutsideRegionError,
    PackageError,
)
from ._native import (
    Design,
    Model,
    Part,
    Review,
    Setup,
    Termination,
    TerminationStudy,
    __version__,
    chain,
    new_key,
    open_design,
    open_model,
    set_threads,
    spur_intervals,
    use_cache,
    write_demo,
)

__all__ = [
    "Design",
    "FileError",
    "FindingWarning",
    "InputError",
    "InternalError",
    "MixwrightError",
    "Model",
    "NoSolutionError",
    "OutsideRegionError",
    "PackageError",
    "Part",
    "Review",
    "Setup",
    "Termination",
    "TerminationStudy",
    "__version__",
    "chain",
    "new_key",
    "open_design",
    "open_model",
    "set_threads",
    "spur_intervals",
    "use_cache",
    "write_demo",
]
