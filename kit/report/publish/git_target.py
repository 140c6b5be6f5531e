"""Publish a study's page into a git repository of Markdown pages."""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

from kit.errors import ConflictError
from kit.report.publish.plan import Plan, decide, summary_of
from kit.report.publish.prepare import (
    Prepared,
    Written,
    operators_notice,
    page_name,
    refuse_findings,
    write_page,
)
from kit.report.publish.record import Record, text_hash, write_record
from kit.report.publish.repository import Repository
from kit.report.publish.targets import Target
from kit.report.publish.wiki import FileState, Remote, plan_states
from kit.report.wiki.markdown import MarkdownWriter
from kit.report.wiki.page import slug

REMARKS = (
    "# Remarks\n\nThis page belongs to people. The publisher created it once and never touches it again.\n"
    "Write what you tried: printer, spool, settings, what came out.\n"
)


def publish_to_repository(
    folder: Path,
    target: Target,
    prepared: Prepared,
    *,
    send: bool,
    force: bool,
    allow_findings: bool,
) -> Plan:
    """Publish to a repository, or show what that would do; see `kit.report.publish.publish.publish_report`.

    Returns
    -------
    Plan

    Raises
    ------
    ConflictError
        If the page is not what the publisher left there, or somebody pushed meanwhile.
    """
    name = slug(page_name(target.page, "{slug}", prepared.title))
    place = f"{target.folder.strip('/')}/" if target.folder.strip("/") else ""
    page, files_folder, remarks = f"{place}{name}.md", f"{name}-files", f"{name}-remarks.md"
    types = target.file_types or None
    written = write_page(
        prepared,
        lambda p: MarkdownWriter(p, folder=files_folder, file_types=types, remarks=remarks),
    )
    notices = refuse_findings(written, secrets=(), allow=allow_findings)
    with Repository(target.repository, target.branch) as repository:
        stored = repository.read(page)
        remote = (
            None
            if stored is None
            else Remote(stored.decode("utf-8", "replace"), repository.head(), "", "")
        )
        outcome, reason, diff = decide(
            written.text,
            remote,
            prepared.record,
            own=False,
            mark=prepared.mark,
            last_sent=prepared.last_sent,
        )
        states = _states(repository, written, place + files_folder)
        plan = Plan(
            outcome, reason, "git repository", page, written.text, diff, states,
            (*operators_notice(prepared.report), *notices),
        )  # fmt: skip
        if not send:
            return plan
        if outcome == "conflict" and not force:
            raise ConflictError(
                f"{page} was not touched: {reason}. Move what people wrote to {remarks}, then run it again with --force, which "
                f"overwrites the page (the repository's history keeps the old one).\n{diff}".rstrip()
            )
        files = {f"{place}{files_folder}/{n}": f.data for n, f in written.files.items()}
        files[page] = written.text.encode() + b"\n"
        if repository.read(place + remarks) is None:
            files[place + remarks] = REMARKS.encode()
        old = [
            f"{place}{files_folder}/{n}" for n in (prepared.record.files if prepared.record else {})
        ]
        pushed = repository.push(
            files,
            summary_of(prepared.mark, written.text),
            remove=[n for n in old if n not in files],
        )
    record = Record(
        target.name, target.address, "git repository", page, pushed.commit, text_hash(written.text), prepared.report.results["digest"],
        version("testprint-kit"), {n: sha256(f.data).hexdigest() for n, f in written.files.items()}, written.history,
    )  # fmt: skip
    write_record(folder, record, written.text)
    return replace(plan, sent=True)


def _states(repository: Repository, written: Written, place: str) -> dict[str, FileState]:
    stored = {n: repository.read(f"{place}/{n}") for n in written.files}
    there = {n: sha256(d).hexdigest() for n, d in stored.items() if d is not None}
    return plan_states(
        written.files, there, {n: sha256(f.data).hexdigest() for n, f in written.files.items()}
    )
