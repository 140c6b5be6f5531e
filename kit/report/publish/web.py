"""Requests to one wiki: certificate checked, no foreign redirects, no secret in any error."""

from __future__ import annotations

import os
from typing import Any
from urllib.parse import quote, quote_plus, urlsplit

from kit.errors import PublishError
from kit.report.publish.targets import LOOPBACK

TIMEOUT = (10, 60)
"""Seconds to connect and to wait for an answer."""

Response = Any  # requests.Response; the library is loaded where it is used


class UnreachableError(PublishError):
    """No usable answer came; what was written before still stands."""


class Web:
    """A session with one wiki.

    Parameters
    ----------
    url : str
        Any address on the wiki; only its host is ever spoken to.
    secrets : tuple of str
        Texts that may stand in no message.
    auth : tuple of (user, secret), optional
        Sent with every request by HTTP's basic scheme.
    """

    def __init__(
        self, url: str, *, secrets: tuple[str, ...] = (), auth: tuple[str, str] | None = None
    ) -> None:
        try:
            import requests
        except ImportError:  # pragma: no cover - part of the extra
            raise PublishError("Publishing needs: pip install 'testprint-kit[wiki]'") from None
        parts = urlsplit(url)
        if parts.scheme != "https" and parts.hostname not in LOOPBACK:
            raise PublishError(
                "Plain http would send your password readable; nothing was sent. Write https."
            )
        self.origin = f"{parts.scheme}://{parts.netloc}"
        self.secrets = secrets
        self.session = requests.Session()
        self.session.trust_env = False  # no .netrc: only the credentials named for this wiki
        self.session.verify = os.environ.get("REQUESTS_CA_BUNDLE") or True
        self.session.proxies = dict(requests.utils.get_environ_proxies(url))
        self.session.headers["User-Agent"] = "testprint-kit (publisher)"
        self.session.auth = auth

    def post(
        self,
        url: str,
        *,
        data: Any = None,  # noqa: ANN401 - form fields or bytes
        files: Any = None,  # noqa: ANN401 - as requests takes them
        headers: dict[str, str] | None = None,
    ) -> Response:
        """Send something."""
        return self._send("POST", url, data=data, files=files, headers=headers)

    def get(self, url: str) -> Response:
        """Fetch something from the same wiki."""
        return self._send("GET", url)

    def _send(self, method: str, url: str, **content: Any) -> Response:  # noqa: ANN401
        import requests

        if not url.startswith(f"{self.origin}/"):
            raise PublishError(
                f"The wiki points to another host ({urlsplit(url).netloc}); nothing was sent there."
            )
        try:
            answer = self.session.request(
                method, url, timeout=TIMEOUT, allow_redirects=False, **content
            )
        except requests.exceptions.SSLError:
            raise UnreachableError(
                f"{url} does not speak safe https, or its certificate is not valid here; nothing was sent."
            ) from None
        except requests.exceptions.Timeout:
            raise UnreachableError(
                f"{url} did not answer in time. Run the command again later."
            ) from None
        except requests.exceptions.RequestException as error:
            kind = type(error).__name__
            raise UnreachableError(
                f"{url} cannot be reached ({kind}). Is the address right, and the wiki up?"
            ) from None
        if answer.is_redirect:
            place = urlsplit(answer.headers.get("Location", "")).netloc or "another address"
            raise UnreachableError(
                f"{url} redirects to {place}; write the final address into the wikis' file."
            )
        return answer

    def redacted(self, text: str) -> str:
        """Take every secret out of a text."""
        for secret in self.secrets:
            for form in {secret, quote(secret), quote_plus(secret)} - {""}:
                text = text.replace(form, "(secret)")
        return text
