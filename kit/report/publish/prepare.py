"""Everything of a study that is ready to be written to a wiki: report, data package, history, last record."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path

from kit.errors import PublishError
from kit.report.finished import FinishedReport, read_report
from kit.report.package.build import package_bytes
from kit.report.publish.record import Record, read_record, text_hash
from kit.report.publish.scan import findings, readable, spreadsheet_risks
from kit.report.wiki.page import Attachment, WikiPage, slug
from kit.report.wiki.study_page import standing_of_report, study_page
from kit.report.wiki.writer import Writer

WriterMaker = Callable[[WikiPage], Writer]
History = tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class Prepared:
    """A study ready to be published to one target.

    Attributes
    ----------
    report : FinishedReport
    record : Record or None
        The last publication.
    last_sent : str
        The page's text of that publication.
    today : date
    """

    report: FinishedReport
    record: Record | None
    last_sent: str
    today: datetime.date

    @property
    def title(self) -> str:
        """The study's title."""
        return self.report.study.title

    @property
    def mark(self) -> str:
        """The study's sign in edit summaries."""
        study = self.report.study
        sign = sha256(f"{study.title}\n{study.seed}".encode()).hexdigest()[:8]
        return f"testprint study {sign} text"

    @cached_property
    def package(self) -> bytes:
        """The data package."""
        return package_bytes(self.report)

    def page(self, history: History) -> WikiPage:
        """Build the page with a history."""
        return study_page(self.report, history=history, package=self.package)

    @property
    def earlier(self) -> History:
        """The history as it was published."""
        return self.record.history if self.record else ()

    @property
    def next_history(self) -> History:
        """The history with a line for today."""
        digest = self.report.results["digest"]
        if self.record is None:
            what = "first published"
        elif self.record.digest != digest:
            what = "data or description changed"
        else:
            what = "page written anew"
        row = (
            self.today.isoformat(),
            digest[:8],
            f"{what}; {standing_of_report(self.report).word}",
        )
        return (*self.earlier, row)


def prepare(study: Path, target: str, address: str, today: datetime.date) -> Prepared:
    """Read a study's report and what was published of it."""
    report = read_report(study)
    record, last_sent = read_record(study, target, address)
    return Prepared(report, record, last_sent, today)


@dataclass(frozen=True)
class Written:
    """A page in a wiki's markup, with the files that it needs."""

    text: str
    files: dict[str, Attachment]
    tables: tuple[tuple[int, int], ...]
    pictures: int
    said: str
    history: History


def write_page(prepared: Prepared, make_writer: WriterMaker) -> Written:
    """Write the page; where nothing but the date would differ, the earlier history stays.

    Parameters
    ----------
    prepared : Prepared
        The study.
    make_writer : callable
        Gives a writer for a page.

    Returns
    -------
    Written
    """
    if prepared.record is not None:
        same = _written(prepared, make_writer, prepared.earlier)
        if text_hash(same.text) == prepared.record.text:
            return same
    return _written(prepared, make_writer, prepared.next_history)


def _written(prepared: Prepared, make_writer: WriterMaker, history: History) -> Written:
    page = prepared.page(history)
    writer = make_writer(page)
    text = writer.write()
    files = {a.name(page.slug): a for a in writer.used.values()}
    pictures = sum(not key.startswith("/") for key in writer.used)
    said = "\n".join(b.plain() for b in page.blocks)
    return Written(text, files, tuple(writer.tables), pictures, said, history)


def refuse_findings(written: Written, *, secrets: tuple[str, ...], allow: bool) -> tuple[str, ...]:
    """Look through everything that would leave, and refuse what should not.

    Parameters
    ----------
    written : Written
        Page and files.
    secrets : tuple of str
        The wiki's password.
    allow : bool
        Publish findings all the same; never a secret.

    Returns
    -------
    tuple of str
        Notices.

    Raises
    ------
    PublishError
        With all findings.
    """
    texts = {"page": written.text}
    for name, file in written.files.items():
        if not file.data:
            raise PublishError(f"{name} is empty; nothing was sent.")
        text = readable(name, file.data)
        if text is not None:
            texts[name] = text
    found = findings(texts, secrets)
    fatal = [f for f in found if "the wiki's password" in f or "private key" in f]
    if fatal or (found and not allow):
        way_out = (
            "" if fatal else "\nTake them out, or publish them knowingly with --allow-findings."
        )
        raise PublishError(
            "Nothing was sent. These should not be published:\n  " + "\n  ".join(found) + way_out
        )
    risks = [r for n, t in texts.items() if n.endswith(".csv") for r in spreadsheet_risks(n, t)]
    return (*(f"published knowingly: {f}" for f in found), *risks)


def operators_notice(report: FinishedReport) -> tuple[str, ...]:
    """Say that people are named in the readings."""
    names = sorted({str(o) for o in report.data.readings.get("operator", ()) if str(o)})
    if not names:
        return ()
    return (
        f"readings.csv names operators ({', '.join(names)}); have they agreed to be published?",
    )


def page_name(pattern: str, default: str, title: str) -> str:
    """Give a page's name from the pattern of the wikis' file."""
    return (pattern or default).replace("{title}", title).replace("{slug}", slug(title))
