"""DokuWiki by its XML-RPC interface, which old and new versions have."""

from __future__ import annotations

import re
import xmlrpc.client
from collections.abc import Mapping
from hashlib import md5
from typing import Any
from xml.parsers.expat import ExpatError

from kit.errors import ConflictError, PublishError
from kit.report.publish.credentials import Credentials
from kit.report.publish.web import UnreachableError, Web
from kit.report.publish.wiki import Abilities, FileState, Remote, plan_states
from kit.report.wiki.dokuwiki import DokuWikiWriter
from kit.report.wiki.escape import normal_text
from kit.report.wiki.page import Attachment, WikiPage

READ, EDIT, CREATE, UPLOAD = 1, 2, 4, 8
DEFAULT_TYPES = ("png", "zip")
"""What an untouched DokuWiki takes; it cannot be asked. Others go into the wikis' file."""


class RpcError(PublishError):
    """A fault that the wiki named."""

    def __init__(self, code: int, text: str) -> None:
        self.code = code
        super().__init__(text)

    def __reduce__(self) -> tuple[type[RpcError], tuple[int, str]]:
        """Keep the code when the error crosses a process border."""
        return type(self), (self.code, str(self))


class DokuWiki:
    """A DokuWiki.

    Parameters
    ----------
    url : str
        Of the wiki's folder.
    credentials : Credentials
    namespace : str
        Where page and files go.
    file_types : sequence of str
        What the wiki takes; empty = `DEFAULT_TYPES`.
    """

    def __init__(
        self,
        url: str,
        credentials: Credentials,
        *,
        namespace: str = "",
        file_types: tuple[str, ...] = (),
    ) -> None:
        self.base = re.sub(r"(/doku\.php|/lib/exe/xmlrpc\.php)?/*$", "", url)
        self.credentials = credentials
        self.namespace = namespace_id(namespace)
        self.file_types = file_types or DEFAULT_TYPES
        self.web = Web(
            self.base, secrets=(credentials.secret,), auth=(credentials.user, credentials.secret)
        )

    def _call(self, method: str, *arguments: Any) -> Any:  # noqa: ANN401
        """Call one method; whatever is no plain answer is an error."""
        url = f"{self.base}/lib/exe/xmlrpc.php"
        body = xmlrpc.client.dumps(arguments, method, encoding="utf-8").encode()
        answer = self.web.post(url, data=body, headers={"Content-Type": "text/xml"})
        if answer.status_code == 401:
            raise PublishError(
                f"The wiki refused the login of {self.credentials.user}: wrong name or password. Nothing was sent."
            )
        if answer.status_code == 403:
            raise RpcError(403, f"{self.credentials.user} lacks the right for this ({method}).")
        if answer.status_code != 200:
            raise UnreachableError(
                f"{url} answered with status {answer.status_code}. Is this the address of a DokuWiki?"
            )
        try:
            return xmlrpc.client.loads(answer.content)[0][0]
        except xmlrpc.client.Fault as fault:
            raise self._fault(fault, method) from None
        except (ExpatError, xmlrpc.client.Error, ValueError, IndexError, TypeError):
            raise UnreachableError(
                f"{url} answered with a page instead of data. Either this is no DokuWiki, or a file was larger than its "
                "server takes (post_max_size)."
            ) from None

    def _fault(self, fault: xmlrpc.client.Fault, method: str) -> PublishError:
        text = self.web.redacted(str(fault.faultString))
        if fault.faultCode == -32605:
            return PublishError(
                "The wiki's remote interface is switched off. Its administrator must set remote = on and name the "
                "account's group in remoteuser (Configuration Settings, Authentication)."
            )
        return RpcError(
            int(fault.faultCode), f"The wiki refused {method}: {text} [{fault.faultCode}]"
        )

    # Before writing -----------------------------------------------------------------------------

    def check(self, page: str) -> Abilities:
        """Ask everything that can be asked before writing.

        Parameters
        ----------
        page : str
            The page's id; the namespace is put before it.

        Returns
        -------
        Abilities

        Raises
        ------
        PublishError
            If the wiki cannot be reached, refuses the login, or the account lacks a right.
        """
        full = page_id(f"{self.namespace}:{page}" if self.namespace else page)
        # The version is asked for with the account: it fails at once where the account may not use the interface.
        version = str(self._call("dokuwiki.getVersion"))
        right = int(self._call("wiki.aclCheck", full))
        exists = self.read(full) is not None
        needed = EDIT if exists else CREATE
        if right < needed:
            word = "edit" if exists else "create"
            raise PublishError(
                f"{self.credentials.user} may not {word} {full} on this wiki; ask its administrator."
            )
        files = int(
            self._call("wiki.aclCheck", f"{self.namespace}:a-file" if self.namespace else "a-file")
        )
        if files < UPLOAD:
            place = self.namespace or "the top namespace"
            raise PublishError(
                f"{self.credentials.user} may not upload files to {place} on this wiki; ask its administrator."
            )
        return Abilities(
            wiki=f"DokuWiki {version}",
            page=full,
            remarks=f"{full}-remarks",
            file_types=self.file_types,
        )

    def writer(self, page: WikiPage, abilities: Abilities) -> DokuWikiWriter:
        """Give the writer for this wiki."""
        return DokuWikiWriter(
            page,
            namespace=self.namespace,
            file_types=abilities.file_types,
            remarks=abilities.remarks,
        )

    # Pages --------------------------------------------------------------------------------------

    def read(self, page: str) -> Remote | None:
        """Read a page; None when there is none."""
        text = self._call("wiki.getPage", page)
        try:
            info = self._call("wiki.getPageInfo", page)
        except RpcError as error:
            if error.code != 121:  # newer versions: the page does not exist
                raise
            info = {}
        if not info:
            return None
        versions = self._call("wiki.getPageVersions", page, 0)
        newest = max(versions, key=lambda v: int(v["version"])) if versions else {}
        return Remote(
            str(text),
            str(info.get("version", "")),
            str(info.get("author", "")),
            str(newest.get("sum", "")),
        )

    def own(self, author: str) -> bool:
        """Whether an author's name is the publishing account's."""
        return author == self.credentials.user

    def start_remarks(self, page: str, text: str) -> None:
        """Create the page for remarks if there is none."""
        if self.read(page) is None:
            self._put(page, text, "A page for remarks")

    def write(self, page: str, text: str, base: Remote | None, summary: str) -> None:
        """Write the page under a lock, if it still is what was read.

        The interface knows no base revision, so that a small race stays with another program on the same account.

        Parameters
        ----------
        page : str
            Its name.
        text : str
            Normalised.
        base : Remote or None
            What was read; None = the page must not exist.
        summary : str
            Says in the page's history what was done.

        Raises
        ------
        ConflictError
            If the page is being edited or was changed meanwhile.
        """
        locks = self._call("dokuwiki.setLocks", {"lock": [page], "unlock": []})
        if page not in locks.get("locked", []):
            raise ConflictError(
                f"Somebody is editing {page} right now; it was not touched. A lock lasts up to 15 minutes."
            )
        try:
            now = self.read(page)
            if (now is None) != (base is None) or (
                now and base and normal_text(now.text) != normal_text(base.text)
            ):
                raise ConflictError(
                    "Somebody changed the page while it was being published; it was not overwritten."
                )
            self._put(page, text, summary)
        finally:
            self._call("dokuwiki.setLocks", {"lock": [], "unlock": [page]})

    def _put(self, page: str, text: str, summary: str) -> None:
        if self._call("wiki.putPage", page, text, {"sum": summary, "minor": False}) is not True:
            right = int(self._call("wiki.aclCheck", page))
            why = (
                "the account's rights do not reach"
                if right < EDIT
                else "somebody may be editing it"
            )
            raise PublishError(f"The wiki did not store {page}: {why}.")

    # Files --------------------------------------------------------------------------------------

    def states(self, files: Mapping[str, Attachment]) -> dict[str, FileState]:
        """Say of each file whether the wiki has it, by MD5."""
        found = self._call("wiki.getAttachments", self.namespace, {"hash": True})
        stored = {str(f["file"]): str(f.get("hash", "")) for f in found}
        return plan_states(files, stored, {n: _md5(f.data) for n, f in files.items()})

    def upload(self, name: str, file: Attachment) -> None:
        """Store a file; only its hash, asked for afterwards, says that it arrived.

        Parameters
        ----------
        name : str
            On the wiki.
        file : Attachment
            What to store.

        Raises
        ------
        PublishError
            If it was refused or did not arrive whole.
        """
        full = f"{self.namespace}:{name}" if self.namespace else name
        refused = f"{name}: the wiki did not store the file."
        try:
            answer = self._call(
                "wiki.putAttachment", full, xmlrpc.client.Binary(file.data), {"ow": True}
            )
        except RpcError as error:
            raise PublishError(f"{refused} {error}") from None
        if answer != full:
            right = int(self._call("wiki.aclCheck", full))
            why = (
                "The account lacks the right to upload there."
                if right < UPLOAD
                else f"It probably takes no .{file.suffix} files: leave the type out of file_types in the wikis' file, or ask "
                "its administrator to allow it."
            )
            raise PublishError(f"{refused} {why}")
        if self.states({name: file})[name] != "same":
            raise PublishError(f"{name}: what the wiki stored is not what was sent.")

    # Reading back -------------------------------------------------------------------------------

    def html(self, page: str) -> str:
        """Give the page as readers see it."""
        return str(self._call("wiki.getPageHTML", page))

    def picture_problem(self, source: str) -> str:
        """Fetch a picture as readers do."""
        url = source if source.startswith("http") else f"{self.web.origin}{source}"
        answer = self.web.get(url)
        kind = answer.headers.get("Content-Type", "")
        return (
            ""
            if answer.status_code == 200 and kind.startswith("image/")
            else f"status {answer.status_code}, {kind}"
        )


def page_id(text: str) -> str:
    """Give a page's id as DokuWiki would write it.

    Returns
    -------
    str

    Examples
    --------
    >>> page_id("Prints: Satin or Gloss?")
    'prints:satin_or_gloss'
    """
    parts = [
        re.sub(r"[^\w.-]+", "_", part.strip().lower()).strip("_.-") for part in text.split(":")
    ]
    return ":".join(p for p in parts if p)


def namespace_id(text: str) -> str:
    """Give a namespace as DokuWiki would write it; empty = the top."""
    return page_id(text.replace("/", ":"))


def _md5(data: bytes) -> str:
    return md5(data, usedforsecurity=False).hexdigest()
