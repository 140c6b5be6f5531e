"""The page and its files in one zip, for those who may not use a wiki's interface."""

from __future__ import annotations

import io
import zipfile

from kit.report.wiki.dokuwiki import DokuWikiWriter
from kit.report.wiki.markdown import MarkdownWriter
from kit.report.wiki.mediawiki import MediaWikiWriter
from kit.report.wiki.page import WikiPage
from kit.report.wiki.writer import Writer

HOW_TO = {
    "mediawiki": """\
1. Upload every file in files/ (Special:Upload). Keep the names as they are. Types that the wiki refuses can be left out;
   take their lines out of the section Downloads then.
2. Create the page "{title}" and paste the whole of page.wiki into it.
""",
    "dokuwiki": """\
1. Upload every file in files/ with the media manager into the {place}. Keep the names as they are.
   Types that the wiki refuses can be left out; take their lines out of the section Downloads then.
2. Create the page {page} and paste the whole of page.txt into it.
""",
    "markdown": """\
Copy page.md and the folder files into your repository, side by side, and commit them.
""",
}

_MOMENT = (1980, 1, 1, 0, 0, 0)


def bundle_writer(page: WikiPage, engine: str, *, namespace: str = "") -> Writer:
    """Give the writer for a page that somebody will put up by hand.

    Returns
    -------
    Writer

    Raises
    ------
    ValueError
        If the engine is unknown.
    """
    if engine == "mediawiki":
        return MediaWikiWriter(page)
    if engine == "dokuwiki":
        return DokuWikiWriter(page, namespace=namespace)
    if engine == "markdown":
        return MarkdownWriter(page)
    raise ValueError(f"unknown engine {engine!r}")


def bundle_bytes(page: WikiPage, engine: str, *, namespace: str = "") -> bytes:
    """Give the zip: the same page, the same bytes.

    Parameters
    ----------
    page : WikiPage
        The page.
    engine : {"mediawiki", "dokuwiki", "markdown"}
        Whose markup.
    namespace : str
        DokuWiki: where the files will lie.

    Returns
    -------
    bytes
    """
    writer = bundle_writer(page, engine, namespace=namespace)
    text = writer.write()
    place = f"namespace {namespace}" if namespace else "top namespace"
    full = f"{namespace}:{page.slug}" if namespace else page.slug
    how = HOW_TO[engine].format(title=page.title, place=place, page=full)
    members = {f"page.{writer.suffix}": text.encode() + b"\n", "HOW-TO.txt": how.encode()}
    members |= {f"files/{a.name(page.slug)}": a.data for a in writer.used.values()}
    return zip_bytes(members)


def zip_bytes(members: dict[str, bytes]) -> bytes:
    """Zip some files without a clock in it: the same files, the same bytes."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(members):
            entry = zipfile.ZipInfo(name, _MOMENT)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, members[name])
    return target.getvalue()
