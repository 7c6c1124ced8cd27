"""The folder that returned mails arrive in: a maildir or an mbox file of its own."""

from __future__ import annotations

import mailbox
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from alertd.errors import ConfigError

ASIDE = "aside"
BATCH = 200


class BounceFolder:
    """Hands out mails one by one; a handled one is removed, another is kept aside for a person.

    A maildir keeps them in its folder ``.aside``, an mbox in the file beside it that ends so.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def take(self, handle: Callable[[bytes], bool], limit: int = BATCH) -> int:
        """Give up to ``limit`` mails to ``handle``, which says whether to keep one aside; returns how many.

        A mail leaves the folder only after it was handled, so a crash hands it out again.
        Raises ConfigError if the folder cannot be used.
        """
        taken = 0
        with self._opened() as (box, aside):
            for key in list(box.keys())[:limit]:
                raw = self._bytes(box, key)
                if raw is None:
                    continue
                if handle(raw):
                    aside.add(raw)
                    aside.flush()
                box.discard(key)
                taken += 1
            box.flush()
        return taken

    def _bytes(self, box: mailbox.Mailbox[mailbox.Message], key: str) -> bytes | None:
        """Return a mail; None if somebody else took it meanwhile."""
        try:
            return bytes(box.get_bytes(key))
        except (KeyError, FileNotFoundError):
            return None

    @contextmanager
    def _opened(self) -> Iterator[tuple[mailbox.Mailbox[mailbox.Message], mailbox.Mailbox[mailbox.Message]]]:
        try:
            box, aside = self._boxes()
            box.lock()
            try:
                yield box, aside
            finally:
                box.unlock()
                aside.close()
                box.close()
        except (OSError, mailbox.Error) as error:
            raise ConfigError(
                f"smtp.bounce_folder: {self._path} cannot be used ({error}); name a maildir or an mbox file "
                "that this user may read and write"
            ) from error

    def _boxes(self) -> tuple[mailbox.Mailbox[mailbox.Message], mailbox.Mailbox[mailbox.Message]]:
        if self._path.is_dir():
            maildir = mailbox.Maildir(self._path, create=False)
            for name in ("new", "cur", "tmp"):
                if not (self._path / name).is_dir():
                    raise NotADirectoryError(f"it has no {name} folder, so it is no maildir")
            return maildir, maildir.add_folder(ASIDE)
        if not self._path.exists():
            raise FileNotFoundError("there is nothing")
        beside = self._path.with_name(f"{self._path.name}.{ASIDE}")
        return mailbox.mbox(self._path, create=False), mailbox.mbox(beside)
