"""MediaWiki by its action API."""

from __future__ import annotations

from collections.abc import Mapping

from kit.errors import ConflictError, PublishError
from kit.report.publish.mediawiki_says import MEANWHILE, SAID, without_markup
from kit.report.publish.mediawiki_session import Answer, ApiError, MediaWikiSession
from kit.report.publish.wiki import Abilities, FileState, Remote, plan_states
from kit.report.wiki.mediawiki import MediaWikiWriter
from kit.report.wiki.page import Attachment, WikiPage

USED_TAGS = ("math", "syntaxhighlight")


class MediaWiki(MediaWikiSession):
    """A MediaWiki, logged in with a bot password: pages and files."""

    # Before writing -----------------------------------------------------------------------------

    def check(self, page: str) -> Abilities:
        """Ask everything that can be asked before writing.

        Parameters
        ----------
        page : str
            The page's name.

        Returns
        -------
        Abilities

        Raises
        ------
        PublishError
            If the wiki cannot be reached, refuses the login, or the page cannot be written.
        """
        self.log_in()
        query = self._ask(
            action="query", meta="siteinfo|userinfo", siprop="general|extensiontags|fileextensions",
            uiprop="rights|blockinfo", titles=f"\x1f{page}",  # a bar in the name would make two names of it prop="info", intestactions="edit|create|upload",
            intestactionsdetail="full",
        )["query"]  # fmt: skip
        general = query["general"]
        self._refuse_user(query["userinfo"])
        if general.get("readonly"):
            raise PublishError(SAID["readonly"])
        title = self._title(page, query)
        enabled = bool(general.get("uploadsenabled"))
        if not enabled:
            raise PublishError(SAID["uploaddisabled"])
        return Abilities(
            wiki=str(general["generator"]),
            page=title,
            remarks=f"{title} (remarks)",
            tags=self._tags(query.get("extensiontags", [])),
            file_types=tuple(e["ext"] for e in query.get("fileextensions", [])),
            max_page=int(general.get("maxarticlesize") or 2_097_152),
            max_file=int(general["maxuploadsize"]) if general.get("maxuploadsize") else None,
        )

    def _refuse_user(self, user: Answer) -> None:
        if "blockid" in user:
            raise PublishError(
                f"{SAID['blocked']} Reason given: {user.get('blockreason', 'none')}."
            )
        missing = [r for r in ("edit", "createpage", "upload") if r not in user.get("rights", [])]
        if missing:
            raise PublishError(f"{SAID['permissiondenied']} Missing: {', '.join(missing)}.")

    def _title(self, page: str, query: Answer) -> str:
        found = query.get("pages", [{}])[0]
        if found.get("invalid") or not found.get("title") or "#" in page:
            reason = found.get("invalidreason", "a # would write another page")
            raise PublishError(
                f"{page!r} is no name for a page on this wiki ({reason}); set page in the wikis' file."
            )
        action = "create" if found.get("missing") else "edit"
        refusals = found.get("actions", {}).get(action) or []
        if isinstance(refusals, list) and refusals:
            code = str(refusals[0].get("code", ""))
            plain = without_markup(str(refusals[0].get("text", "")))
            raise PublishError(
                f"{SAID.get(code, 'The account may not write this page.')} (The wiki says: {plain} [{code}])"
            )
        return str(found["title"])

    def _tags(self, offered: list[str]) -> frozenset[str]:
        """Give the tags that work: a formula extension without its renderer shows a red error."""
        names = {t.strip("<>") for t in offered}
        tags = {t for t in USED_TAGS if t in names}
        if "math" in tags and not self._sets_formulas():
            tags.discard("math")
        return frozenset(tags)

    def _sets_formulas(self) -> bool:
        try:
            shown = self._ask(
                action="parse", text="<math>x^2</math>", contentmodel="wikitext", prop="text"
            )["parse"]["text"]
        except ApiError:
            return False
        return "texerror" not in shown and "mwe-math" in shown

    def writer(self, page: WikiPage, abilities: Abilities) -> MediaWikiWriter:
        """Give the writer for this wiki."""
        return MediaWikiWriter(
            page, file_types=abilities.file_types, remarks=abilities.remarks, tags=abilities.tags
        )

    # Pages --------------------------------------------------------------------------------------

    def read(self, page: str) -> Remote | None:
        """Read a page; None when there is none."""
        pages = self._ask(
            action="query",
            titles=page,
            prop="revisions",
            rvprop="ids|content|user|comment",
            rvslots="main",
            rvlimit="1",
        )["query"]["pages"]
        if pages[0].get("missing") or not pages[0].get("revisions"):
            return None
        revision = pages[0]["revisions"][0]
        text = revision.get("slots", {}).get("main", {}).get("content", "")
        return Remote(
            text,
            str(revision["revid"]),
            str(revision.get("user", "")),
            str(revision.get("comment", "")),
        )

    def own(self, author: str) -> bool:
        """Whether an author's name is the publishing account's."""
        return bool(self.account) and author == self.account.split("@")[0]

    def start_remarks(self, page: str, text: str) -> None:
        """Create the page for remarks if there is none."""
        try:
            self._write(
                action="edit", title=page, text=text, createonly="1", summary="A page for remarks"
            )
        except ApiError as error:
            if error.code != "articleexists":
                raise

    def write(self, page: str, text: str, base: Remote | None, summary: str) -> None:
        """Write the page once, against the revision that was read.

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
            If the page was changed, created, deleted or merged meanwhile.
        PublishError
            With what the wiki said.
        ApiError
            The same, with the wiki's own word for it.
        """
        # Only the revision: a base timestamp would let an edit by the same account be overwritten silently.
        guard = (
            {"createonly": "1"} if base is None else {"baserevid": base.revision, "nocreate": "1"}
        )
        try:
            answer = self._write(action="edit", title=page, text=text, summary=summary, **guard)
        except ApiError as error:
            if error.code in ("editconflict", "articleexists", "missingtitle", "pagedeleted"):
                raise ConflictError(MEANWHILE[error.code]) from None
            raise
        edit = answer.get("edit", {})
        if edit.get("result") != "Success":
            why = (
                "a captcha; ask an administrator to exempt the account"
                if "captcha" in edit
                else edit.get("result")
            )
            raise PublishError(f"The wiki did not store the page: {why}.")
        if (
            base is not None
            and "nochange" not in edit
            and str(edit.get("oldrevid")) != base.revision
        ):
            raise ConflictError(
                "Somebody edited the page in the same moment and the wiki merged both texts. Look at the page's history, "
                "then run the command again."
            )

    # Files --------------------------------------------------------------------------------------

    def states(self, files: Mapping[str, Attachment]) -> dict[str, FileState]:
        """Say of each file whether the wiki has it, by SHA-1."""
        names = list(files)
        stored: dict[str, str] = {}
        for i in range(0, len(names), 50):
            stored |= self._stored(names[i : i + 50])
        return plan_states(files, stored, {n: f.sha1 for n, f in files.items()})

    def _stored(self, names: list[str]) -> dict[str, str]:
        query = self._ask(
            action="query",
            titles="|".join(f"File:{n}" for n in names),
            prop="imageinfo",
            iiprop="sha1|size",
        )["query"]
        found = {
            p["title"].split(":", 1)[1]: p["imageinfo"][0]["sha1"]
            for p in query["pages"]
            if p.get("imageinfo")
        }
        return {n: found[_titled(n)] for n in names if _titled(n) in found}

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
        try:
            answer = self._write(
                action="upload", filename=name, ignorewarnings="1", comment="Published by testprint",
                _files={"file": (name, file.data)},
            )  # fmt: skip
        except ApiError as error:
            if error.code != "fileexists-no-change":
                raise PublishError(f"{name}: {error}") from None
            answer = {"upload": {"result": "Success", "filename": name}}
        result = answer.get("upload", {})
        if result.get("result") != "Success":
            warned = ", ".join(result.get("warnings", {})) or result.get("result", "no result")
            raise PublishError(f"{name}: the wiki did not store the file ({warned}).")
        if _titled(str(result.get("filename", name)).replace("_", " ")) != _titled(name):
            raise PublishError(
                f"{name}: the wiki stored the file under another name, {result.get('filename')}."
            )
        if self._stored([name]).get(name) != file.sha1:
            raise PublishError(f"{name}: what the wiki stored is not what was sent.")

    # Reading back -------------------------------------------------------------------------------

    def html(self, page: str) -> str:
        """Give the page as readers see it."""
        parsed = self._ask(
            action="parse", page=page, prop="text", disableeditsection="1", disablelimitreport="1"
        )
        return str(parsed["parse"]["text"])

    def picture_problem(self, source: str) -> str:
        """Fetch a picture as readers do."""
        url = source if source.startswith("http") else f"{self.web.origin}{source}"
        if source.startswith("//"):
            url = f"{self.web.origin.split(':')[0]}:{source}"
        answer = self.web.get(url)
        kind = answer.headers.get("Content-Type", "")
        return (
            ""
            if answer.status_code == 200 and kind.startswith("image/")
            else f"status {answer.status_code}, {kind}"
        )


def _titled(name: str) -> str:
    return name[:1].upper() + name[1:]
