"""Opening a catalogue: an SQLite file, a PostgreSQL database, or memory."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Collection, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, Engine, text

from provpack.catalogue import dialect, engines, grants, migrations, people, places
from provpack.catalogue.asking import Asking
from provpack.catalogue.engines import MEMORY
from provpack.catalogue.writing import Writer
from provpack.errors import Bug, EnvironmentProblem
from provpack.package.bagpaths import readable

_MANY = 10_000
"""Packages after which the engine looks anew at how the values are spread."""
_NEXT = ".building"


class Catalogue:
    """An open catalogue. Leave it with close(), or use it as a context manager."""

    def __init__(
        self,
        engine: Engine,
        shown: str,
        *,
        path: Path | None = None,
        secrets: Sequence[str] = (),
        made: bool = False,
    ):
        self.shown = shown
        self.engine_name = engine.dialect.name
        self.version = migrations.VERSION
        self._engine = engine
        self._path = path
        self._secrets = secrets
        self._anew = False
        self._writes = False
        self._new = made
        self._file = self._inode()
        self.taken_away: str | None = None
        """What damaged file the last rebuild found where it builds, and took away, in a sentence."""

        self.unsynced: str | None = None
        """The folder of the catalogue, when a rebuild ended there and it cannot be synced."""

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, kind: type[BaseException] | None, what: object, where: TracebackType | None) -> None:
        nothing = kind is not None and self._new and self._holds_nothing()
        if nothing and self.engine_name == "postgresql":
            with contextlib.suppress(EnvironmentProblem):  # the next run takes an empty one as it is
                self._drop_schema()
        self.close()
        if nothing and self._path is not None:
            self._path.unlink(missing_ok=True)

    def _drop_schema(self) -> None:
        with dialect.said_plainly(self.shown, self._secrets), self._changing() as conn:
            if self._holds_nothing():  # nobody else can write into it any more
                dialect.drop_place(conn)

    def _holds_nothing(self) -> bool:
        """Whether nothing was written into it, by others neither."""
        try:
            return not (any(self.ask.size().values()) or self.ask.roots())
        except EnvironmentProblem:
            return False

    def close(self) -> None:
        """Let go of the file or the server."""
        self._engine.dispose()

    @property
    def made(self) -> Path | None:
        """The file, when this made it and wrote nothing into it yet."""
        return self._path if self._new else None

    @property
    def ask(self) -> Asking:
        """The questions."""
        return Asking(self._reading)

    def people(self, roles: Collection[str]) -> list[str]:
        """Who had one of these roles in any package."""
        with self._reading() as conn:
            return people.people(conn, roles)

    def ledgers(self) -> list[str]:
        """The paths of all custody ledgers that are known, as they are shown."""
        with self._reading() as conn:
            return people.ledgers(conn)

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """One transaction: at the end of the block all is there, after an exception nothing has changed.

        One writer at a time, over all processes; the next waits, and gives up with an EnvironmentProblem.
        """
        if self._writes:
            raise Bug(
                "catalogue-written-twice",
                "A catalogue has one writer.",
                where=self.shown,
                todo="Report this.",
            )
        anew, self._anew, self._writes = self._anew, False, True
        transaction = self._building() if anew else self._changing()
        try:
            with dialect.said_plainly(self.shown, self._secrets), transaction as conn:
                writer = Writer(conn, anew=anew)
                yield writer
                writer.flush()
                if anew:
                    migrations.create_late(conn)
                writer.finish()
                if anew or writer.packages > _MANY:
                    dialect.look_at_sizes(conn)
            self._new = False
        finally:
            self._writes = False

    def forget_everything(self) -> None:
        """The next writing() begins with nothing, and replaces all there is when its block has ended well.

        It builds aside (a second file, a second schema) and puts that in place as the last thing: until then
        everybody reads the old catalogue, and so it stays when this process is killed.
        """
        if self._writes:
            raise Bug(
                "catalogue-forgets-late", "Forget before writing.", where=self.shown, todo="Report this."
            )
        self._anew = True

    # --- transactions ---

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with dialect.said_plainly(self.shown, self._secrets):
            self._look_for_another_file()
            with self._engine.connect() as conn:
                yield conn

    @contextmanager
    def _changing(self) -> Iterator[Connection]:
        if self._path is not None:
            places.refuse_in_package(self._path.parent)
        while True:
            self._look_for_another_file()
            with self._engine.connect().execution_options(**engines.WRITES) as conn, conn.begin():
                dialect.be_the_writer(conn)
                if self._file == self._inode():  # else somebody rebuilt it while we waited
                    yield conn
                    return

    def _look_for_another_file(self) -> None:
        """Let go of a file that a rebuild has replaced: its lock keeps nobody out any more."""
        now = self._inode()
        if now != self._file:
            self._engine.dispose()
            self._file = now

    def _building(self) -> AbstractContextManager[Connection]:
        if self.engine_name == "postgresql":
            return self._building_schema()
        return self._building_memory() if self._path is None else self._building_file(self._path)

    @contextmanager
    def _building_schema(self) -> Iterator[Connection]:
        with self._changing() as conn:
            dialect.refuse_over_others(conn, self.shown)
            conn.execute(text(f"CREATE SCHEMA {dialect.NEXT_SCHEMA}"))
            conn.execute(text(f"SET LOCAL search_path TO {dialect.NEXT_SCHEMA}"))
            migrations.create(conn, late=False)
            yield conn
            grants.carry_over(conn)
            conn.execute(text(f"DROP SCHEMA {dialect.SCHEMA} CASCADE"))
            conn.execute(text(f"ALTER SCHEMA {dialect.NEXT_SCHEMA} RENAME TO {dialect.SCHEMA}"))

    @contextmanager
    def _building_memory(self) -> Iterator[Connection]:
        engine = engines.sqlite_engine(MEMORY)
        try:
            with engine.connect().execution_options(**engines.WRITES) as conn, conn.begin():
                migrations.create(conn, late=False)
                yield conn
        except BaseException:
            engine.dispose()
            raise
        self._engine.dispose()
        self._engine = engine

    @contextmanager
    def _building_file(self, path: Path) -> Iterator[Connection]:
        aside = path.with_name(path.name + _NEXT)
        with self._changing():  # keeps all other writers out
            with _cannot_build(self.shown):
                self.taken_away = places.remove_left_over(aside)
                mode = stat.S_IMODE(path.stat().st_mode)
                os.close(os.open(aside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode))
            engine = engines.sqlite_engine(str(aside), aside=True)
            try:
                engines.mark_as_ours(engine)  # so that the next rebuild knows it, should this one be killed
                with engine.connect().execution_options(**engines.WRITES) as conn, conn.begin():
                    migrations.create(conn, late=False)
                    yield conn
                engine.dispose()
                with _cannot_build(self.shown):
                    _keep(aside)
                    # What a killed writer left: not needed for the old file (else it was used when we took
                    # the lock), and nothing for the new one.
                    path.with_name(path.name + "-journal").unlink(missing_ok=True)
                    aside.replace(path)
            except BaseException:
                engine.dispose()  # else the file keeps its room on the disk as long as this process runs
                aside.unlink(missing_ok=True)
                raise
            if not _keep_names(path.parent):
                self.unsynced = readable(str(path.parent))

    def _inode(self) -> tuple[int, int] | None:
        if self._path is None:
            return None
        try:
            info = self._path.stat()
        except OSError as err:
            raise _cannot_open(self.shown, err) from None
        return info.st_dev, info.st_ino

    # --- opening ---

    def prepare(self, *, create: bool) -> Catalogue:
        """Make the tables where there are none and create is given, and bring an older version up."""
        with self._reading() as conn:
            if self.engine_name == "postgresql":
                grants.refuse_without_right(conn, self.shown)
            version = migrations.version_of(conn, self.shown)
        if version is None and not create:
            raise _not_there(self.shown)
        if version is not None:
            migrations.check(version, self.shown)
        if version != migrations.VERSION:
            with dialect.said_plainly(self.shown, self._secrets), self._changing() as conn:
                made = dialect.make_place(conn, self.shown)
                version = migrations.version_of(conn, self.shown)  # somebody else may have been faster
                if version is None:
                    migrations.create(conn)
                    self._new = self._new or made
                elif version < migrations.VERSION:
                    migrations.migrate(conn, version)
        return self


def open_catalogue(where: str | Path, *, create: bool = False) -> Catalogue:
    """Open the catalogue at a path or address: "postgresql://...", an SQLite file, or ":memory:".

    create: make one where none is. An older version is brought up to date. Raises EnvironmentProblem (none
    there, cannot be written, driver missing, server refuses; never shows a password), InputProblem (not a
    catalogue, or one of a newer version) and DestinationProblem (it would be made in a package).
    """
    if isinstance(where, str):
        where = where.strip()
    if isinstance(where, str) and engines.is_server(where):
        url = engines.server_url(where)
        shown, secrets = engines.shown_url(url), engines.secrets_of(url)
        opened = Catalogue(engines.server_engine(url), shown, secrets=secrets)
    elif str(where) == MEMORY:
        opened, create = Catalogue(engines.sqlite_engine(MEMORY), MEMORY), True
    else:
        if isinstance(where, str):
            engines.refuse_other_addresses(where)
        path, made = _file(where, create=create)
        opened = Catalogue(engines.sqlite_engine(str(path)), readable(str(path)), path=path, made=made)
    try:
        return opened.prepare(create=create)
    except BaseException:
        opened.close()
        with contextlib.suppress(OSError):
            if opened.made is not None and opened.made.stat().st_size == 0:
                opened.made.unlink()
        raise


def _file(where: str | Path, *, create: bool) -> tuple[Path, bool]:
    """The real path of an SQLite file that may be opened as a catalogue, and whether it was made just now:
    nothing else is touched."""
    shown, made = readable(str(where)), False
    try:
        path = Path(os.path.realpath(where))
        if not os.path.lexists(path):
            if not create:
                raise _not_there(shown)
            places.refuse_in_package(path.parent)
            with contextlib.suppress(FileExistsError):  # somebody else was faster
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
                made = True
        if not path.is_file() or (path.stat().st_size > 0 and not engines.is_ours(path)):
            raise migrations.not_a_catalogue(shown)
    except (OSError, ValueError) as err:
        raise _cannot_open(shown, err) from None
    return path, made


@contextmanager
def _cannot_build(shown: str) -> Iterator[None]:
    """Raises EnvironmentProblem for what the folder of the catalogue refuses."""
    try:
        yield
    except OSError as err:
        raise EnvironmentProblem(
            "catalogue-cannot-build",
            f"A new catalogue cannot be built beside the old one: {err.strerror or err}. The old one is "
            "as it was.",
            where=shown,
            todo="Ask for the right to write in its folder, make room there, or choose another place with "
            "--catalogue.",
        ) from None


def _cannot_open(shown: str, err: OSError | ValueError) -> EnvironmentProblem:
    said = getattr(err, "strerror", None) or str(err)
    return EnvironmentProblem(
        "catalogue-cannot-open",
        f"The catalogue cannot be opened or made: {said}.",
        where=shown,
        todo="Choose a place in a folder that exists and can be written, with --catalogue.",
    )


def _not_there(shown: str) -> EnvironmentProblem:
    return EnvironmentProblem(
        "no-catalogue",
        "There is no catalogue.",
        where=shown,
        todo="Build one with 'provpack catalogue rebuild ROOT', or name another place with --catalogue.",
    )


def _keep_names(folder: Path) -> bool:
    """See that the names in a folder survive a power cut; False where that cannot be had, as on some network
    shares. The catalogue is in its place already, and whole, so nothing is raised."""
    if os.name == "nt":  # a folder cannot be opened there
        return True
    try:
        _keep(folder)
    except OSError:
        return False
    return True


def _keep(path: Path) -> None:
    """See that a file survives a power cut, as far as an index that can be rebuilt needs it."""
    # Windows commits only what was opened to be written
    handle = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
