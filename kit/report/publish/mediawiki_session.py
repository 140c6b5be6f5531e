"""A session with a MediaWiki: log in once, ask, write; renew what ran out, wait where the wiki asks to."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from kit.errors import PublishError
from kit.report.publish.credentials import Credentials
from kit.report.publish.mediawiki_says import SAID, without_markup
from kit.report.publish.web import UnreachableError, Web

Answer = dict[str, Any]

WAITS = (5.0, 15.0, 45.0)
"""Seconds between attempts when the wiki asks to slow down."""


class ApiError(PublishError):
    """An error that the wiki named; ``code`` is its own word."""

    def __init__(self, code: str, text: str) -> None:
        self.code = code
        super().__init__(text)

    def __reduce__(self) -> tuple[type[ApiError], tuple[str, str]]:
        """Keep the code when the error crosses a process border."""
        return type(self), (self.code, str(self))


class MediaWikiSession:
    """A session with a MediaWiki, logged in with a bot password.

    Parameters
    ----------
    url : str
        Of ``api.php``; a folder's address is completed.
    credentials : Credentials
    wait : callable
        Sleeps for some seconds; passed in for tests.
    """

    def __init__(
        self, url: str, credentials: Credentials, *, wait: Callable[[float], None] = time.sleep
    ) -> None:
        self.api = url if url.endswith(".php") else f"{url.rstrip('/')}/api.php"
        self.credentials = credentials
        self.web = Web(self.api, secrets=(credentials.secret,))
        self.wait = wait
        self.account = ""
        self._token = ""

    def log_in(self) -> None:
        """Log in, once: a wrong password is not tried again.

        Raises
        ------
        PublishError
            With what the wiki said.
        """
        # A bot password's session cannot log in again; start from none.
        self.web.session.cookies.clear()
        token = self._ask(action="query", meta="tokens", type="login")["query"]["tokens"][
            "logintoken"
        ]
        answer = self._ask(
            action="login",
            lgname=self.credentials.user,
            lgpassword=self.credentials.secret,
            lgtoken=token,
        )["login"]
        if answer.get("result") != "Success":
            raise PublishError(self._login_failure(answer))
        self.account = answer["lgusername"]
        self._token = ""

    def _login_failure(self, answer: Answer) -> str:
        reason = answer.get("reason", "")
        text = reason.get("text", "") if isinstance(reason, dict) else str(reason)
        said = self.web.redacted(without_markup(text)) or str(answer.get("result"))
        seconds = answer.get("wait")
        later = f" Wait {seconds} seconds before you try again." if seconds else ""
        return f"The wiki refused the login of {self.credentials.user}: {said}{later} Nothing was sent."

    def _ask(self, **query: Any) -> Answer:  # noqa: ANN401 - the API has no fixed parameters
        """Send one request and give its answer; errors of the wiki come out as `ApiError`."""
        files = query.pop("_files", None)
        data = {
            "format": "json",
            "formatversion": "2",
            "errorformat": "plaintext",
            "maxlag": "10",
            **query,
        }
        answer = self.web.post(self.api, data=data, files=files)
        try:
            content = answer.json()
        except ValueError:
            raise UnreachableError(self._no_json(answer)) from None
        if not isinstance(content, dict):
            raise UnreachableError(f"{self.api} did not answer as MediaWiki does.")
        for error in content.get("errors", []):
            code = str(error.get("code", "unknown"))
            plain = without_markup(str(error.get("text", "")))
            known = SAID.get(
                code, "Internal error of the wiki." if code.startswith("internal_api") else ""
            )
            raise ApiError(
                code, self.web.redacted(f"{known} (The wiki says: {plain} [{code}])".strip())
            )
        return content

    def _no_json(self, answer: Any) -> str:  # noqa: ANN401
        where = f"{self.api} answered with status {answer.status_code} and a page instead of data."
        if answer.status_code == 404:
            return f"{where} Is this the address of api.php?"
        if answer.status_code == 200:
            return f"{where} Either this is no MediaWiki, or a file was larger than its server takes (post_max_size)."
        return f"{where} The wiki's server has a problem, or this is no MediaWiki."

    def _write(self, **query: Any) -> Answer:  # noqa: ANN401
        """Send something that changes the wiki; refresh the session once, wait where the wiki asks to."""
        waits = list(WAITS)
        renewed = 0
        while True:
            try:
                if not self._token:
                    self._token = self._ask(action="query", meta="tokens", type="csrf")["query"][
                        "tokens"
                    ]["csrftoken"]
                return self._ask(**{"assert": "user", "token": self._token, **query})
            except ApiError as error:
                if error.code in ("badtoken", "assertuserfailed") and renewed < 2:
                    renewed += 1
                    self._token = ""
                    if error.code == "assertuserfailed" or renewed == 2:
                        self.log_in()
                elif error.code in ("ratelimited", "maxlag") and waits:
                    self.wait(waits.pop(0))
                else:
                    raise
