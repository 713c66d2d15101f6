"""Read the archive's tables row by row, values as they stand, whatever was done to them."""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, select
from sqlalchemy.dialects import sqlite as sqlite_dialect

from probeledger.archive import schema

__all__ = ["ROWS", "Reader", "same"]

# So many rows are held at a time.
ROWS = 500


class Reader:
    """Read tables row by row: from SQLite as the values stand in the file, whatever was done to them."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._sqlite = connection.dialect.name == "sqlite"
        self._dialect: Any = sqlite_dialect.dialect()

    def rows(self, query: Any, columns: Sequence[str]) -> Iterator[dict[str, Any]]:
        """Yield the rows of a query, each as a map by these names of its columns."""
        if not self._sqlite:
            streamed = self._connection.execute(query, execution_options={"yield_per": ROWS})
            for row in streamed:
                yield {name: _plain(value) for name, value in zip(columns, row, strict=True)}
            return
        raw: Any = self._connection.connection.driver_connection
        before, raw.text_factory = raw.text_factory, _surrogates
        try:
            compiled = query.compile(dialect=self._dialect, compile_kwargs={"literal_binds": True})
            cursor = raw.execute(str(compiled))
            while part := cursor.fetchmany(ROWS):
                for row in part:
                    yield dict(zip(columns, row, strict=True))
        finally:
            raw.text_factory = before

    def table(self, table: Table, *, where: Any = None, order: Sequence[Any] = ()) -> Iterator[dict[str, Any]]:
        """Yield the rows of a table that fulfil a condition, in an order, each as a map by its columns."""
        query = select(*table.c)
        if where is not None:
            query = query.where(where)
        yield from self.rows(query.order_by(*order), [column.name for column in table.c])

    def count(self) -> int:
        """Return how many records there are [1]."""
        return int(self._connection.execute(select(func.count()).select_from(schema.records)).scalar() or 0)


def _surrogates(data: bytes) -> str:
    return data.decode("utf-8", "surrogateescape")


def _plain(value: Any) -> Any:
    if isinstance(value, memoryview):
        return bytes(value)
    return int(value) if isinstance(value, bool) else value


def same(one: Any, other: Any) -> bool:
    """Tell whether two values are of one type and equal; a truth value is a whole number here, as SQLite keeps it."""
    if isinstance(one, bool):
        one = int(one)
    if isinstance(other, bool):
        other = int(other)
    return type(one) is type(other) and one == other
