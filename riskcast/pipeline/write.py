"""Put a run on disk: whole files, under the site's id and the day of issue."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from riskcast import animals, delivery
from riskcast.archive import StoredMessage
from riskcast.base.files import write_whole

if TYPE_CHECKING:
    from riskcast.advice import Letter
    from riskcast.animals import Records
    from riskcast.risk import Assessment
    from riskcast.site import Site

__all__ = ["letters_to_messages", "write_run"]

# Without [mail] letters are files only; the address says so and names no place.
_NO_SENDER = "riskcast <riskcast@riskcast.invalid>"

_REJECTED, _LETTERS = "weights-rejected.csv", "alert-*.eml"


def letters_to_messages(
    site: Site, letters: Sequence[Letter], assessment: Assessment
) -> tuple[StoredMessage, ...]:
    """One message per recipient: the letter of their role."""
    by_role = {letter.role: letter for letter in letters}
    sender = site.mail.from_ if site.mail else _NO_SENDER
    reply_to = site.mail.reply_to if site.mail else None
    return tuple(
        delivery.stored(
            delivery.build(
                by_role[recipient.role],
                recipient,
                sender=sender,
                reply_to=reply_to,
                site_id=site.place.id,
                issued_at=assessment.issued_at.isoformat(),
                language=site.place.language,
            ),
            recipient,
        )
        for recipient in site.recipients
    )


def write_run(
    out: Path,
    assessment: Assessment,
    records: Records,
    document: str,
    messages: Sequence[StoredMessage],
) -> tuple[Path, tuple[Path, ...]]:
    """Write the document, the letters, and the rows that were set aside.

    What an earlier run of the same day left and this one does not write is taken away: a list
    of bad rows must not outlive their correction.

    Returns
    -------
    (folder, files), the document last: a folder with an ``assessment.json`` is complete
    """
    folder = out / assessment.site.id / assessment.issued_on.isoformat()
    files: list[Path] = []
    rejected = folder / _REJECTED
    if records.faults:
        files.append(write_whole(rejected, animals.rejected_csv(records)))
    count: Counter[str] = Counter()
    for message in messages:
        count[message.role] += 1
        name = delivery.eml_name(message.role, count[message.role])
        files.append(write_whole(folder / name, message.eml))
    for old in (rejected, *folder.glob(_LETTERS)):
        if old not in files:
            old.unlink(missing_ok=True)
    files.append(write_whole(folder / "assessment.json", document))
    return folder, tuple(files)
