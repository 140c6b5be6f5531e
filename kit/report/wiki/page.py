"""The page of a study as every wiki gets it: blocks in a fixed order, files beside it, categories."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha1

from kit.report.document import Block


@dataclass(frozen=True)
class Attachment:
    """A file that goes beside the page.

    Attributes
    ----------
    key : str
        How blocks name it: a figure's name, a download's path, a formula's TeX.
    what : str
        A few words for its file name, lower-case letters, digits and hyphens.
    suffix : str
        Type, without the dot.
    data : bytes
    """

    key: str
    what: str
    suffix: str
    data: bytes = field(repr=False)

    @property
    def sha1(self) -> str:
        """SHA-1 of the bytes: what MediaWiki keeps of each file."""
        return sha1(self.data, usedforsecurity=False).hexdigest()

    def name(self, report: str) -> str:
        """Give the file's name on the wiki: it tells the content, so that a changed file is a new one."""
        return f"{report}-{self.what}-{self.sha1[:8]}.{self.suffix}"


@dataclass(frozen=True)
class WikiPage:
    """A page before it is written in any wiki's markup.

    Attributes
    ----------
    title : str
    blocks : tuple of Block
        In page order, without the title.
    categories : tuple of str
    attachments : mapping of key to Attachment
    digest : str
        SHA-256 of the study's inputs.
    """

    title: str
    blocks: tuple[Block, ...]
    categories: tuple[str, ...] = ()
    attachments: Mapping[str, Attachment] = field(default_factory=dict)
    digest: str = ""

    @property
    def slug(self) -> str:
        """The title as a file name."""
        return slug(self.title)


def slug(text: str, longest: int = 60) -> str:
    """Give text as a file name: lower-case ASCII letters, digits and single hyphens.

    Returns
    -------
    str

    Examples
    --------
    >>> slug("Satin or gloß: Ä/B?"), slug("***")
    ('satin-or-gloss-a-b', 'page')
    """
    folded = unicodedata.normalize("NFKD", text.casefold())
    ascii_only = folded.encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:longest].strip("-") or "page"
