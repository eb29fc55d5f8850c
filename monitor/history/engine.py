"""The database behind the store: SQLite in one file with one writer, or PostgreSQL by URL; both speak alike here."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Self, TypeVar

from sqlalchemy import Connection, Engine, QueuePool, Table, create_engine, event, make_url, select
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import DBAPIError, NoSuchModuleError, OperationalError, SQLAlchemyError

from monitor.history import tables as t
from monitor.history import upgrading
from monitor.history.read_only import reading, why_not_written
from monitor.history.trouble import WORDS, Reason
from monitor.history.trouble import NotKept as NotKept

T = TypeVar("T")
PAGE_OCTETS = 4096
_PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "wal_autocheckpoint=1000",
    "journal_size_limit=8388608",
    "busy_timeout=5000",
    "foreign_keys=ON",
)
_MEANS = {
    "SQLITE_FULL": Reason.FULL,
    "SQLITE_CORRUPT": Reason.DAMAGED,
    "SQLITE_NOTADB": Reason.DAMAGED,
    "SQLITE_IOERR": Reason.LOST,
    "SQLITE_READONLY": Reason.READ_ONLY,
    "SQLITE_CANTOPEN": Reason.LOST,
}


_PATIENCE = {
    "connect_timeout": 10,
    "keepalives_idle": 15,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,
}
"""A server that is gone without a word is noticed within half a minute; without these the kernel waits for two hours.
libpq's names, in seconds, and one in milliseconds."""


LOCK_S, STATEMENT_S = 20.0, 600.0
"""So long one waits for a lock, and for a statement (common practice, no source): a server that is there and does not
go on, as while somebody holds a table at its console, must not keep people unaware. A day's fold takes seconds."""


def patience(url: str) -> dict[str, Any]:
    """How long a server may be silent, where the URL does not say so itself.

    >>> patience("postgresql+psycopg://history@server/farpole?connect_timeout=3")["keepalives_idle"]
    15
    """
    made = make_url(url)
    if made.get_backend_name() != "postgresql":
        return {}
    return {name: value for name, value in {**_PATIENCE, "options": limits()}.items() if name not in made.query}


def limits() -> str:
    """The server's own limits for what it is asked here, as libpq's options."""
    return f"-c lock_timeout={LOCK_S * 1000:.0f} -c statement_timeout={STATEMENT_S * 1000:.0f}"


def putting(connection: Connection, table: Table) -> Any:
    """An INSERT that may say what happens where the key is there already."""
    if connection.dialect.name == "sqlite":
        return sqlite_insert(table)
    from sqlalchemy.dialects.postgresql import insert  # several megabytes for those who have none

    return insert(table)


class Kept:
    """What every part of the store stands on."""

    def __init__(self, where: Path | str, read_only: bool = False, quota_octets: int | None = None) -> None:
        self.path = where
        self._quota_pages = quota_octets // PAGE_OCTETS if quota_octets else None
        self._name = str(where) if isinstance(where, Path) else shown(where)
        if isinstance(where, Path):
            self._engine = _engine_of(where, read_only)
            event.listen(self._engine, "connect", _read_only if read_only else self._prepare)
            event.listen(self._engine, "begin", _begin if not read_only else _begin_reading)
        else:
            try:
                self._engine = create_engine(where, connect_args=patience(where))
            except (SQLAlchemyError, ImportError) as error:
                raise NotKept(f"{self._name}: {_why_no_engine(error)}") from None
        self._guard(self._migrate if not read_only else self._is_current)

    def forget_ids(self) -> None:
        """What was entered in a transaction that failed is not there: ids must be read again."""

    def _guard(self, action: Callable[[], T]) -> T:
        try:
            return action()
        except DBAPIError as error:
            self.forget_ids()
            name = getattr(error.orig, "sqlite_errorname", "") or ""
            reason, words = self._meant(error, name)
            raise NotKept(f"{self._name}: {words}", reason) from error
        except SQLAlchemyError as error:
            raise NotKept(f"{self._name}: {error}") from error

    def _meant(self, error: DBAPIError, name: str) -> tuple[Reason, str]:
        """The reason, and it in the words of the database or, where the disk itself says it more plainly, of that."""
        words = _first_line(error.orig)
        if not isinstance(self.path, Path):
            return (Reason.SERVER if isinstance(error, OperationalError) else Reason.NONE), words
        reason = next((word for start, word in _MEANS.items() if name.startswith(start)), Reason.NONE)
        if reason is Reason.LOST:
            reason = why_not_written(self.path.parent) or reason
            words = WORDS.get(reason, words)
        return reason, words

    def _look(self, question: Callable[[Connection], T]) -> T:
        """Ask in a transaction of its own that ends at once: a reader that holds one makes the log grow."""

        def look() -> T:
            with self._engine.connect() as connection:
                return question(connection)

        return self._guard(look)

    def _act(self, change: Callable[[Connection], T]) -> T:
        """Change something: all of it, or nothing."""

        def act() -> T:
            with self._engine.begin() as connection:
                return change(connection)

        return self._guard(act)

    def _migrate(self) -> None:
        """Bring the schema up to date; what was there before is kept beside it until the next time."""
        if isinstance(self.path, Path):
            upgrading.back_up_first(self.path)
        with self._engine.begin() as connection:
            upgrading.upgrade(connection)

    def _is_current(self) -> None:
        """A history that is only read is not brought up to date, and an older one lacks what is asked for."""
        with self._engine.connect() as connection:
            upgrading.check(connection, self._name)

    def _prepare(self, connection: Any, _: object) -> None:
        connection.isolation_level = None  # SQLAlchemy's BEGIN below is ours, not the driver's
        for pragma in _PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")
        if self._quota_pages:
            connection.execute(f"PRAGMA max_page_count={self._quota_pages}")

    def setting(self, name: str, value: str) -> str:
        """A setting that the first value given decides for ever."""

        def once(connection: Connection) -> str:
            row = {"name": name, "value": value}
            connection.execute(putting(connection, t.setting).values(row).on_conflict_do_nothing())
            return str(connection.execute(select(t.setting.c.value).where(t.setting.c.name == name)).scalar_one())

        return self._act(once)

    def setting_of(self, name: str) -> str | None:
        """A setting as it was decided, or None; nothing is written."""
        query = select(t.setting.c.value).where(t.setting.c.name == name)
        return self._look(lambda connection: connection.execute(query).scalar_one_or_none())

    def close(self) -> None:
        """Give the file back."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _engine_of(file: Path, read_only: bool) -> Engine:
    """An engine on a SQLite file."""
    if read_only:
        return create_engine("sqlite+pysqlite://", creator=lambda: reading(file, 5.0), poolclass=QueuePool)
    patient = {"timeout": 5.0, "check_same_thread": False}
    return create_engine(f"sqlite+pysqlite:///{file}", connect_args=patient)


def shown(url: str) -> str:
    """A database's URL without its password."""
    try:
        return make_url(url).render_as_string(hide_password=True)
    except SQLAlchemyError:
        return "the database's URL"


def _why_no_engine(error: Exception) -> str:
    if isinstance(error, ImportError | NoSuchModuleError):
        return "no driver for this database; install farpole's extra 'postgresql' and write postgresql+psycopg://…"
    return str(error)


def _first_line(error: BaseException | None) -> str:
    return str(error).strip().split("\n")[0]


def _read_only(connection: Any, _: object) -> None:
    connection.isolation_level = None
    connection.execute("PRAGMA query_only=ON")


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_reading(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")
