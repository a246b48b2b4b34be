"""`Artwork` to `Coverage`: what of it is ink."""

import numpy as np

from tracer.model import Artwork, Coverage
from tracer.settings import InkOptions


def find_ink(artwork: Artwork, options: InkOptions) -> tuple[Coverage, ...]:
    """Return the coverage of each level, one unless `options.levels` asks for more.

    Raises
    ------
    InputError
        Nothing to trace, or nothing that can be told from the ground.
    """
    if artwork.alpha is not None:
        values = artwork.alpha.astype(np.float32) / np.float32(np.iinfo(artwork.alpha.dtype).max)
    else:
        values = 1 - artwork.colour.mean(axis=-1, dtype=np.float32) / 255
    values.setflags(write=False)
    return (Coverage(values),)
