"""Store batch after batch: one is read and checked while the one before it reaches the disk."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from types import TracebackType
from typing import Any, Generic, TypeVar

from sqlalchemy import Connection, Engine, RootTransaction

from probeledger.archive import engine as engines
from probeledger.errors import ArchiveError

__all__ = ["Items", "Storing"]

# Pairs (sequence number, the record's bytes).
Items = Iterable[tuple[int, bytes]]
_Added = TypeVar("_Added")


class Storing(Generic[_Added]):
    """Store batches one behind the other, each in a transaction of its own.

    A batch is read and checked while the one before it reaches the disk. What `add` returned is stored only once
    `flush`, or the end of a `with` block, has returned: nobody may be told so before.
    """

    def __init__(
        self,
        writer: Engine,
        name: str,
        prepare: Callable[[Items], Any],
        insert: Callable[[Connection, Any], _Added],
    ) -> None:
        """Take how a batch is read and inserted.

        Args:
            writer: engine whose transactions take the lock for writing; name: of the archive, for messages.
            prepare: reads and checks a batch without the database.
            insert: puts what was prepared into a transaction.
        """
        self._writer = writer
        self._name = name
        self._prepare = prepare
        self._insert = insert
        self._disk = ThreadPoolExecutor(1, "archive-commit")
        self._pending: Future[None] | None = None

    def __enter__(self) -> "Storing[_Added]":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.flush()
        except ArchiveError:
            # What went wrong first is what is told.
            if error is None:
                raise
        finally:
            self._disk.shutdown()

    def add(self, items: Items) -> _Added:
        """Store one batch.

        Returns:
            how many were new and how many were known.

        Raises:
            ConflictError, ArchiveError: as `Archive.add`; also where the batch before could not be stored.
        """
        prepared = self._prepare(items)
        self.flush()
        with engines.sentences(self._name), ExitStack() as opened:
            connection = opened.enter_context(self._writer.connect())
            transaction = connection.begin()
            # Leaving the connection undoes what was not committed.
            added = self._insert(connection, prepared)
            opened.pop_all()
        self._pending = self._disk.submit(_commit, connection, transaction)
        return added

    def flush(self) -> None:
        """Wait until every batch is stored.

        Raises:
            ArchiveError: if the last one could not be; then nothing of it is.
        """
        pending, self._pending = self._pending, None
        if pending is not None:
            with engines.sentences(self._name):
                pending.result()


def _commit(connection: Connection, transaction: RootTransaction) -> None:
    with connection:
        try:
            transaction.commit()
        except BaseException:
            # Whatever the database thinks of the transaction, no later one may find itself inside it.
            connection.invalidate()
            raise
