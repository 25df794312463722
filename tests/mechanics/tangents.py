"""The tangent of a sheet under a tool times a direction, from what the system and the tool keep."""

from __future__ import annotations

import numpy as np


def tangent_times(system, model, tool, x, way):
    """Tangent at x times ``way`` (equations, then the tool's own unknowns)."""
    system.correction(system.evaluate(x, True))
    count, data = model.layout.count, system.tangent(renew=True)
    columns, stiff = tool.border(model)
    # only one triangle of the symmetric tangent is stored
    rows = np.repeat(np.arange(count), np.diff(model.layout.indptr))
    ours = np.zeros(count)
    np.add.at(ours, rows, data * way[model.layout.indices])
    off = rows != model.layout.indices
    np.add.at(ours, model.layout.indices[off], (data * way[rows])[off])
    return np.concatenate([ours + columns @ way[count:], columns.T @ way[:count]
                           + stiff @ way[count:]])
