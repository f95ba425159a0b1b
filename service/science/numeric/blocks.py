"""Run a kernel over large arrays in blocks that fit the processor's cache."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from service.science.numeric.checks import Floats

BLOCK = 12288
"""Elements per block: the temporaries of a kernel in flight stay in a core's cache."""


def in_blocks(kernel: Callable[..., tuple[Floats, ...]], *arrays: Floats) -> tuple[Floats, ...]:
    """Broadcast ``arrays`` and evaluate ``kernel`` on them, block by block.

    Parameters
    ----------
    kernel: takes one array per entry of ``arrays`` and returns a tuple of arrays of the broadcast
        shape.
    arrays: any shapes that broadcast together.

    Returns
    -------
    the kernel's tuple, each of the broadcast shape. Arrays with one element stay 0-d inside the
    kernel, so a constant temperature costs nothing per element; where all are single numbers, it
    gets them as ``np.float64``, which take a third of the time.
    """
    if not any(array.ndim for array in arrays):
        return kernel(*(array[()] for array in arrays))
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    size = int(np.prod(shape))
    if size <= BLOCK:
        return tuple(np.broadcast_to(out, shape) for out in kernel(*arrays))
    flat = [_flat(array, shape) for array in arrays]
    outputs: list[Floats] = []
    for start in range(0, size, BLOCK):
        part = slice(start, start + BLOCK)
        results = kernel(*(array if array.ndim == 0 else array[part] for array in flat))
        if not outputs:
            outputs = [np.empty(size) for _ in results]
        for output, result in zip(outputs, results, strict=True):
            output[part] = result
    return tuple(output.reshape(shape) for output in outputs)


def _flat(array: Floats, shape: Sequence[int]) -> Floats:
    if array.size == 1:
        return array.reshape(())
    return np.broadcast_to(array, shape).reshape(-1)
