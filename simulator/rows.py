"""Some units out of many: rows of a frozen dataclass whose fields are arrays [unit].

In: parameters or states. Out: the same, for some rows; or with some rows exchanged. May import: numpy. Touches nothing.
"""

from dataclasses import fields, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Record = TypeVar("Record", bound=DataclassInstance)
else:
    Record = TypeVar("Record")


def taken(record: Record, rows: NDArray[np.int64], *, units: int) -> Record:
    """The rows of some units. Fields that are no array of one row a unit stay as they are.

    Args:
        record: fields [unit] or [unit, …]. rows: which, [row]. units: how many rows it has.
    """
    return replace(
        record,
        **{
            field.name: column[rows]
            for field in fields(record)
            if isinstance(column := getattr(record, field.name), np.ndarray) and column.shape[:1] == (units,)
        },
    )


def exchanged(record: Record, rows: NDArray[np.int64], by: Record, *, units: int) -> Record:
    """The record with some rows taken from another one.

    Args:
        record: fields [unit] or [unit, …]. rows: which, [row]. by: as long as rows. units: how many rows record has.
    """
    changed: dict[str, NDArray[np.generic]] = {}
    for field in fields(record):
        column = getattr(record, field.name)
        if isinstance(column, np.ndarray) and column.shape[:1] == (units,):
            column = column.copy()
            column[rows] = getattr(by, field.name)
            changed[field.name] = column
    return replace(record, **changed)
