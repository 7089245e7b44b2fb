"""Answers kept on disk, through the storage interface of requests-cache.

Its models, keys and serialisers are used, and a backend of our own. The backend it ships
waits for ever for a file that may not be written, and drops what a full disk refused without
a word; its session forgets a good answer when a later one does not parse. Here each question
to the file opens it anew, so that processes and threads never share a connection, waits a
bounded time, and fails aloud. Values are JSON, not pickles: reading a file runs no code.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

import requests
from requests_cache.backends.base import BaseCache, BaseStorage
from requests_cache.cache_keys import create_key
from requests_cache.models.request import CachedRequest
from requests_cache.models.response import CachedResponse
from requests_cache.serializers import SerializerPipeline, Stage, json_serializer

from riskcast.weather.web.files import begun_anew, connect, in_words, is_held, set_aside

__all__ = ["AnswerCache", "Kept", "key_of"]

# What nobody asked for again in a winter's month helps nobody as a stale copy.
KEEP_DAYS = 45

Kept = CachedResponse
T = TypeVar("T")

_PACKED = SerializerPipeline(
    [
        json_serializer,
        Stage(
            dumps=lambda text: zlib.compress(text.encode("utf-8")),
            loads=lambda packed: zlib.decompress(packed).decode("utf-8"),
        ),
    ],
    name="packed json",
    is_binary=True,
)


def key_of(request: requests.PreparedRequest) -> str:
    """The same for the same question, however its parameters are ordered."""
    return str(create_key(request))


class _Rows(BaseStorage[str, CachedResponse]):
    """Answers by key in a table of an SQLite file."""

    def __init__(self, path: Path) -> None:
        super().__init__(serializer=_PACKED)
        self._path = path
        with connect(self._path) as database:
            if not database.execute("SELECT 1 FROM sqlite_schema WHERE name='answers'").fetchone():
                database.execute(
                    "CREATE TABLE IF NOT EXISTS answers "
                    "(key TEXT PRIMARY KEY, value BLOB NOT NULL, kept_at REAL NOT NULL)"
                )

    def __getitem__(self, key: str) -> CachedResponse:
        with connect(self._path) as database:
            row = database.execute("SELECT value FROM answers WHERE key=?", (key,)).fetchone()
        kept = self._unpacked(key, row[0]) if row else None
        if kept is None:
            raise KeyError(key)
        return kept

    def _unpacked(self, key: str, value: Any) -> CachedResponse | None:
        """The answer; None if the row is damaged or of another version."""
        try:
            kept: CachedResponse | None = self.deserialize(key, value)
        except zlib.error:
            return None
        return kept

    def __setitem__(self, key: str, value: CachedResponse) -> None:
        packed = self.serialize(value)
        with connect(self._path) as database:
            database.execute(
                "INSERT OR REPLACE INTO answers VALUES (?, ?, ?)",
                (key, packed, value.created_at.timestamp()),
            )

    def __delitem__(self, key: str) -> None:
        with connect(self._path) as database:
            if not database.execute("DELETE FROM answers WHERE key=?", (key,)).rowcount:
                raise KeyError(key)

    def __iter__(self) -> Iterator[str]:
        with connect(self._path) as database:
            return iter([row[0] for row in database.execute("SELECT key FROM answers")])

    def __len__(self) -> int:
        with connect(self._path) as database:
            return int(database.execute("SELECT count(*) FROM answers").fetchone()[0])

    def clear(self) -> None:
        with connect(self._path) as database:
            database.execute("DELETE FROM answers")

    def prune(self, before: float) -> None:
        """Forget what was kept before that second since 1970."""
        with connect(self._path) as database:
            old = database.execute("SELECT 1 FROM answers WHERE kept_at < ? LIMIT 1", (before,))
            if old.fetchone():
                database.execute("DELETE FROM answers WHERE kept_at < ?", (before,))


class AnswerCache(BaseCache):
    """Good answers by question, in ``answers.sqlite`` of a folder; never an obstacle.

    Whatever is wrong with the file, `get_kept` and `keep` go on without it and remember why.

    Attributes
    ----------
    problem : why something could not be kept or looked up; empty while all is well
    """

    def __init__(self, folder: Path, now: float) -> None:
        super().__init__(cache_name=str(folder))
        self.problem = ""
        self._path = folder / "answers.sqlite"
        self._rows: _Rows | None = None
        self._going_on(self._open)
        self._going_on(lambda: self._prune(now - KEEP_DAYS * 86_400))

    def get_kept(self, key: str) -> CachedResponse | None:
        """The kept answer; None if there is none that can be read."""
        return self._going_on(lambda: self._looked_up(key))

    def keep(
        self,
        key: str,
        url: str,
        body: bytes,
        headers: Mapping[str, str],
        fetched_at: float,
        expires_at: float | None,
    ) -> None:
        """Keep a good answer under its question; times are seconds since 1970 UTC."""
        answer = CachedResponse(
            content=body,
            status_code=200,
            url=url,
            headers=requests.structures.CaseInsensitiveDict(headers),
            request=CachedRequest(method="GET", url=url),
            created_at=dt.datetime.fromtimestamp(fetched_at, dt.UTC),
            expires=None if expires_at is None else dt.datetime.fromtimestamp(expires_at, dt.UTC),
        )
        self._going_on(lambda: self._put(key, answer))

    def _looked_up(self, key: str) -> CachedResponse | None:
        return None if self._rows is None else self.get_response(key)

    def _open(self) -> None:
        self._rows = _Rows(self._path)
        self.responses = self._rows

    def _prune(self, before: float) -> None:
        if self._rows is not None:
            self._rows.prune(before)

    def _put(self, key: str, answer: CachedResponse) -> None:
        if self._rows is not None:
            self._rows[key] = answer

    def _going_on(self, work: Callable[[], T]) -> T | None:
        """Do it, or note what is wrong with the file instead of stopping for it."""
        try:
            return work()
        except (sqlite3.Error, OSError) as error:
            self.problem = in_words(error, self._path)
            if is_held(error):  # not to wait again at each question
                self._rows = None
            self._mend(error)
        return None

    def _mend(self, error: Exception) -> None:
        try:
            if set_aside(self._path, error):
                self._open()
                self.problem = begun_anew(self._path)
        except (sqlite3.Error, OSError) as another:
            self._rows = None
            self.problem = in_words(another, self._path)
