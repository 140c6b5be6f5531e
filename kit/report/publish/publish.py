"""Publish a study's report: look first, show the difference, send files, then the page once, then read it back."""

from __future__ import annotations

import datetime
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

from kit.errors import ConflictError, PublishError
from kit.report.publish.credentials import Credentials, find_credentials
from kit.report.publish.git_target import publish_to_repository
from kit.report.publish.plan import Plan, decide, summary_of
from kit.report.publish.prepare import (
    Prepared,
    Written,
    operators_notice,
    page_name,
    prepare,
    refuse_findings,
    write_page,
)
from kit.report.publish.readback import page_problems
from kit.report.publish.record import FOLDER, Record, text_hash, write_record
from kit.report.publish.targets import Target, read_target
from kit.report.publish.wiki import Abilities, Remote, Wiki
from kit.report.wiki.bundle import bundle_bytes
from kit.study.folder import write_whole

REMARKS = (
    "This page belongs to people. The publisher created it once and never touches it again. "
    "Write what you tried: printer, spool, settings, what came out."
)


def publish_report(
    study: str | Path,
    to: str,
    *,
    today: datetime.date,
    send: bool = False,
    force: bool = False,
    allow_findings: bool = False,
    targets: Path | None = None,
    environment: Mapping[str, str] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Plan:
    """Publish a study's report to a wiki, or show what that would do.

    Parameters
    ----------
    study : str or Path
        The study folder, with an up-to-date report.
    to : str
        Name of a target in the wikis' file.
    today : date
        For the page's history.
    send : bool, default False
        Write to the wiki; otherwise only read and show the difference.
    force : bool
        Overwrite a page that somebody else changed.
    allow_findings : bool
        Publish e-mail addresses and the like that were found in the texts.
    targets : Path, optional
        The wikis' file.
    environment : mapping, optional
        Where credentials are looked for; default: that of the process.
    say : callable
        Is told what is going on.

    Returns
    -------
    Plan
        ``sent`` when it was done.

    Raises
    ------
    ConflictError
        If the page is not what the publisher left there and ``force`` is not given; with the difference.
    PublishError
        If anything else stands in the way; the text says what was written before.
    StudyError
        With all problems of the study's files.
    """
    folder = Path(study)
    target = read_target(to, targets)
    prepared = prepare(folder, target.name, target.address, today)
    if target.engine == "markdown":
        return publish_to_repository(
            folder, target, prepared, send=send, force=force, allow_findings=allow_findings
        )
    credentials = find_credentials(target, environment)
    wiki = open_wiki(target, credentials)
    say(f"Asking {target.name} what it allows ...")
    default = "{title}" if target.engine == "mediawiki" else "{slug}"
    abilities = wiki.check(page_name(target.page, default, prepared.title))
    written = write_page(prepared, lambda page: wiki.writer(page, abilities))
    notices = refuse_findings(written, secrets=(credentials.secret,), allow=allow_findings)
    _refuse_sizes(written, abilities)
    plan, remote = _plan(wiki, abilities, prepared, written)
    plan = replace(plan, notices=(*operators_notice(prepared.report), *notices))
    if not send:
        return plan
    if plan.outcome == "conflict" and not force:
        raise ConflictError(_conflict_text(plan))
    with locked(folder, target.name):
        _send(wiki, abilities, prepared, written, plan, remote, say)
        now = _verify(wiki, abilities, written)
        if now is not None:
            _note(folder, target, abilities, prepared, written, now)
    return replace(plan, sent=True)


def bundle_report(
    study: str | Path, engine: str, target: Path, *, today: datetime.date, namespace: str = ""
) -> Path:
    """Write the page and its files into one zip, to be put up by hand.

    Parameters
    ----------
    study : str or Path
        The study folder, with an up-to-date report.
    engine : {"mediawiki", "dokuwiki", "markdown"}
        Whose markup.
    target : Path
        The zip file.
    today : date
        For the page's history.
    namespace : str
        DokuWiki: where the files will lie.

    Returns
    -------
    Path
        ``target``.
    """
    prepared = prepare(Path(study), "bundle", "", today)
    page = prepared.page(prepared.next_history)
    write_whole(target, bundle_bytes(page, engine, namespace=namespace))
    return target


def open_wiki(target: Target, credentials: Credentials) -> Wiki:
    """Give the client for a target's engine."""
    if target.engine == "mediawiki":
        from kit.report.publish.mediawiki import MediaWiki

        return MediaWiki(target.url, credentials)
    from kit.report.publish.dokuwiki import DokuWiki

    return DokuWiki(
        target.url, credentials, namespace=target.namespace, file_types=target.file_types
    )


def _plan(
    wiki: Wiki, abilities: Abilities, prepared: Prepared, written: Written
) -> tuple[Plan, Remote | None]:
    remote = wiki.read(abilities.page)
    own = remote is not None and wiki.own(remote.author)
    outcome, reason, diff = decide(
        written.text,
        remote,
        prepared.record,
        own=own,
        mark=prepared.mark,
        last_sent=prepared.last_sent,
    )
    states = wiki.states(written.files)
    return Plan(outcome, reason, abilities.wiki, abilities.page, written.text, diff, states), remote


def _refuse_sizes(written: Written, abilities: Abilities) -> None:
    size = len(written.text.encode())
    if abilities.max_page and size > abilities.max_page:
        raise PublishError(
            f"The page has {size} bytes, this wiki takes {abilities.max_page}; nothing was sent."
        )
    big = [
        n
        for n, f in written.files.items()
        if abilities.max_file and len(f.data) > abilities.max_file
    ]
    if big:
        limit = f"{(abilities.max_file or 0) / 1e6:.1f} MB"
        raise PublishError(
            f"Larger than this wiki takes ({limit}): {', '.join(big)}; nothing was sent."
        )


def _conflict_text(plan: Plan) -> str:
    return (
        f"{plan.page} was not touched: {plan.reason}. Move what people wrote to the page for remarks, then run it again with "
        f"--force, which overwrites the page (its old version stays in the wiki's history).\n{plan.diff}"
    ).rstrip()


def _send(
    wiki: Wiki,
    abilities: Abilities,
    prepared: Prepared,
    written: Written,
    plan: Plan,
    remote: Remote | None,
    say: Callable[[str], None],
) -> None:
    """Send files first, so that the page never points to nothing; the page is written once, last."""
    waiting = [n for n, s in plan.files.items() if s != "same"]
    try:
        for number, name in enumerate(waiting, 1):
            say(f"Uploading {number} of {len(waiting)}: {name}")
            wiki.upload(name, written.files[name])
        wiki.start_remarks(abilities.remarks, REMARKS)
        if plan.outcome != "unchanged":
            say(f"Writing {abilities.page} ...")
            wiki.write(
                abilities.page, written.text, remote, summary_of(prepared.mark, written.text)
            )
    except ConflictError as error:
        raise ConflictError(
            f"{error} The files were uploaded; running the command again is safe."
        ) from None
    except PublishError as error:
        raise PublishError(
            f"{error}\nThe page was not changed; running the command again is safe."
        ) from None


def _verify(wiki: Wiki, abilities: Abilities, written: Written) -> Remote | None:
    """Read the page back as stored and as shown."""
    now = wiki.read(abilities.page)
    if now is None or text_hash(now.text) != text_hash(written.text):
        raise PublishError(
            f"{abilities.page} was written, but what the wiki stored is not what was sent. Look at the page and its history."
        )
    problems = page_problems(
        wiki.html(abilities.page),
        tables=written.tables,
        pictures=written.pictures,
        picture_problem=wiki.picture_problem,
        said=written.said,
    )
    if problems:
        raise PublishError(
            f"{abilities.page} was written, but readers do not see it as it was meant:\n  "
            + "\n  ".join(problems)
        )
    return now


def _note(
    folder: Path,
    target: Target,
    abilities: Abilities,
    prepared: Prepared,
    written: Written,
    now: Remote,
) -> None:
    record = Record(
        target=target.name,
        address=target.address,
        wiki=abilities.wiki,
        page=abilities.page,
        revision=now.revision,
        text=text_hash(now.text),
        digest=prepared.report.results["digest"],
        kit=version("testprint-kit"),
        files={n: sha256(f.data).hexdigest() for n, f in written.files.items()},
        history=written.history,
    )
    write_record(folder, record, written.text)


@contextmanager
def locked(study: Path, target: str) -> Iterator[None]:
    """Keep two publications of one study to one target apart.

    Raises
    ------
    PublishError
        If another one is running.
    """
    path = study / FOLDER / f".{target}.lock"
    path.parent.mkdir(exist_ok=True)
    try:
        handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
    except FileExistsError:
        raise PublishError(
            f"Another publication of this study is running. If none is, remove {FOLDER}/{path.name}."
        ) from None
    os.close(handle)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
