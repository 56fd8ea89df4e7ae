"""SQL models are made in one thread while fits run in others, each once it can be.

The engine does one thing at a time for us: who uses it has the turn. Nothing rests on
who comes first: a model or a fit starts when all that it reads is there.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Final

import duckdb
import polars as pl

from fleetbelt.errors import StoreError
from fleetbelt.store import frames
from fleetbelt.store.sql_models import SqlModel, make, tables_read

_THERE_BEFORE: Final = ("raw", "typed", "previous")  # schemas that no model makes
_SOON: Final = 0.05  # s
GiveOut = Callable[[str], Callable[[], None] | None]


@contextmanager
def made_beside(
    connection: duckdb.DuckDBPyConnection,
    models: tuple[SqlModel, ...],
    made: frozenset[str],
    give_out: GiveOut | None = None,
    *,
    is_roomy: bool = True,
) -> Iterator["Tables"]:
    """Make SQL models while the block runs, and what is left of them at its end.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Used by nobody else in the block.
    models : tuple of SqlModel
        All models; of those that can be made the first comes first, but one that the
        block waits for goes before.
    made : frozenset of str
        Those of them that stand already.
    give_out : callable, optional
        Takes the name of a model that is made when nothing else can be, and does with
        the engine what it must; the callable that it returns does the rest without.
    is_roomy : bool
        Whether there is memory for a model beside a fit; without, models are made, and
        given out, while the block waits.

    Yields
    ------
    Tables
        By which the block reads and writes.

    Raises
    ------
    StoreError
        A model does not run, or reads what nobody makes.
    """
    tables = Tables(connection, models, made, give_out, is_roomy=is_roomy)
    thread = threading.Thread(target=tables.make_all, name="sql")
    thread.start()
    try:
        yield tables
        tables.wait_for({model.name for model in models})
        tables.end()
        thread.join()
    finally:
        while thread.is_alive():
            tables.stop()
            thread.join(_SOON)


class Tables:
    """The tables of a database, some of them still to be made.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        Where they are.
    models : tuple of SqlModel
        What is to be made.
    made : frozenset of str
        What of it stands already.
    give_out : callable or None
        See `made_beside`.
    is_roomy : bool
        See `made_beside`.
    """

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        models: tuple[SqlModel, ...],
        made: frozenset[str],
        give_out: GiveOut | None,
        *,
        is_roomy: bool,
    ) -> None:
        self._connection = connection
        self._to_make = {m.name: m for m in models if m.name not in made}
        self._made = set(made)
        self._turn = threading.Condition()
        self._asked: list[frozenset[str]] = []  # by each fit that wants the turn
        self._n_fits = 1  # threads that may still write something
        self._error: BaseException | None = None
        self._is_stopped = False
        self._give_out = give_out
        self._to_give: list[str] = []
        self._is_roomy = is_roomy

    def read(self, table: str) -> pl.DataFrame:
        """Return a table, or a subquery in brackets, once all that it reads is made."""
        query = f"from {table}"
        with self._turn_for(tables_read(query, "a step")):
            return frames.read(self._connection, query)

    def write(self, tables: Mapping[str, pl.DataFrame]) -> None:
        """Make tables from frames, each once: others may have read it."""
        with self._turn_for(frozenset()):
            for name, frame in tables.items():
                if name in self._made:
                    raise _made_twice(name)
                frames.write(self._connection, name, frame)
            self._made |= tables.keys()

    def wait_for(self, names: set[str]) -> None:
        """Return when all of these tables stand."""
        with self._turn_for(frozenset(names)):
            pass

    def at_once(self, *ways: Callable[[], None]) -> None:
        """Go several ways, each in a thread of its own, to the end of all of them.

        Raises
        ------
        BaseException
            What the first that failed had raised; the others go no further.
        """
        self._n_fits += len(ways) - 1

        def go(way: Callable[[], None]) -> None:
            try:
                way()
            except BaseException as error:
                self._fail(error)
                raise
            finally:
                with self._turn:
                    self._n_fits -= 1
                    self._turn.notify_all()

        with ThreadPoolExecutor(len(ways)) as threads:
            gone = [threads.submit(go, way) for way in ways]
            try:
                for one in gone:
                    one.result()
            except BaseException as error:
                self.stop()  # first: what is being made has the turn
                self._fail(error)
                raise
        self._n_fits += 1

    def make_all(self) -> None:
        """Make every model, each as soon as it can be: what the SQL thread does."""
        try:
            while not self._is_stopped:
                with self._turn:
                    self._turn.wait_for(self._is_my_turn)
                    rest = self._go_on()
                    self._turn.notify_all()
                if rest:
                    rest()
        except BaseException as error:  # noqa: BLE001 -- raised where it is waited for
            self._fail(error)

    def _go_on(self) -> Callable[[], None] | None:
        """Make what can be made; where there is nothing, give out what is made."""
        if self._is_stopped:
            return None
        model = self._next()
        if not model:
            return self._give_out(self._to_give.pop(0)) if self._give_out else None
        make(self._connection, model)
        del self._to_make[model.name]
        self._made.add(model.name)
        if self._give_out:
            self._to_give.append(model.name)
        return None

    def end(self) -> None:
        """Make and give out nothing more; what was begun is done."""
        with self._turn:
            self._is_stopped = True
            self._turn.notify_all()

    def stop(self) -> None:
        """Make nothing more, and break off what is being made."""
        self._is_stopped = True
        self._connection.interrupt()
        if self._turn.acquire(timeout=_SOON):
            self._turn.notify_all()
            self._turn.release()

    def _fail(self, error: BaseException) -> None:
        """Let nobody go on who waits for a turn."""
        self._error = self._error or error
        with self._turn:
            self._turn.notify_all()

    @contextmanager
    def _turn_for(self, names: frozenset[str]) -> Iterator[None]:
        self._asked.append(names)  # at once, or the SQL thread takes the next turn too
        try:
            with self._turn:
                self._turn.notify_all()
                self._turn.wait_for(lambda: self._can_go_on(names))
                if self._error:
                    raise self._error
                if missing := self._missing(names):
                    raise self._never_made(missing)
                yield
        finally:
            with self._turn:
                self._asked.remove(names)
                self._turn.notify_all()

    def _can_go_on(self, names: frozenset[str]) -> bool:
        return not self._missing(names) or self._is_stuck() or bool(self._error)

    def _is_my_turn(self) -> bool:
        """Tell whether the SQL thread may go on: fits that can read go first."""
        if self._is_stopped:
            return True
        is_theirs = any(not self._missing(names) for names in self._asked)
        is_free = self._is_roomy or len(self._asked) >= self._n_fits
        return is_free and not is_theirs and bool(self._next() or self._to_give)

    def _is_stuck(self) -> bool:
        """Tell whether nobody can go on: all fits wait for what nobody will make."""
        n_waiting = sum(bool(self._missing(names)) for names in self._asked)
        return self._next() is None and n_waiting >= self._n_fits

    def _missing(self, names: frozenset[str]) -> frozenset[str]:
        return frozenset(
            name
            for name in names - self._made
            if name.partition(".")[0] not in _THERE_BEFORE
        )

    def _next(self) -> SqlModel | None:
        """Return what can be made now, what is waited for first."""
        ready = [m for m in self._to_make.values() if not self._missing(m.reads)]
        wanted = self._behind(frozenset().union(*self._asked))
        return min(ready, key=lambda model: model.name not in wanted, default=None)

    def _behind(self, names: frozenset[str]) -> set[str]:
        """Return what of these is to be made, with all that must be made before."""
        found = set[str]()
        more = names & self._to_make.keys()
        while more:
            found |= more
            reads = more.union(*(self._to_make[name].reads for name in more))
            more = reads & self._to_make.keys() - found
        return found

    def _never_made(self, missing: frozenset[str]) -> StoreError:
        behind = self._behind(missing)
        reads = (self._missing(self._to_make[name].reads) for name in behind)
        unknown = missing.union(*reads) - self._to_make.keys()
        return StoreError(
            what=f"Nothing makes {', '.join(sorted(unknown))}.",
            where=f"on the way to {', '.join(sorted(missing))}",
            fix="write it before it is read, or mend the model that reads it.",
        )


def _made_twice(name: str) -> StoreError:
    return StoreError(
        what=f"{name} is made twice.",
        where="a step or an SQL model",
        fix="make it in one place, of all that it needs.",
    )
