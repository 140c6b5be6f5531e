"""MediaWiki's error codes in the maker's words: what it means and who can change it."""

from __future__ import annotations

import re
from html import unescape

SAID = {
    "protectedpage": "The page is protected; an administrator of the wiki must give the account the right to edit it.",
    "cascadeprotected": "The page is protected through another page; ask an administrator of the wiki.",
    "protectedtitle": "This title is protected against being created; ask an administrator of the wiki.",
    "blocked": "The account is blocked; ask an administrator of the wiki.",
    "autoblocked": "The address that you use is blocked; ask an administrator of the wiki.",
    "readonly": "The wiki is read-only at the moment. Run the command again later.",
    "permissiondenied": "The account lacks a right; its bot password needs: high-volume editing, edit existing pages, create "
    "pages, upload new files, replace files.",
    "contenttoobig": "The page is larger than this wiki allows.",
    "abusefilter-disallowed": "A filter of the wiki refused the edit; ask an administrator to exempt the account.",
    "spamblacklist": "The wiki's list of unwanted links refused the edit.",
    "uploaddisabled": "Uploads are switched off on this wiki; ask an administrator, or use --bundle.",
    "filetype-banned": "The wiki does not take this type of file.",
    "filetype-banned-type": "The wiki does not take this type of file.",
    "verification-error": "The wiki distrusts the file's contents (a CSV cell with HTML tags in it does that).",
    "empty-file": "The file is empty.",
    "file-too-large": "The file is larger than this wiki allows.",
    "ratelimited": "The wiki asked to slow down again and again. Run the command again in a few minutes.",
    "badtoken": "The wiki did not accept the session. Run the command again.",
    "assertuserfailed": "The wiki ended the session. Run the command again.",
    "mwoauth-invalid-authorization": "The wiki did not accept the account.",
    "writeapidenied": "The account may not write through the API; ask an administrator.",
    "invalidtitle": "The page's name is not allowed on this wiki; set page in the wikis' file.",
    "unknownerror": "The wiki failed; its administrator finds the cause in its log.",
}
"""By the code of an error."""

MEANWHILE = {
    "editconflict": "Somebody changed the page while it was being published; it was not overwritten.",
    "articleexists": "Somebody created the page meanwhile; it was not overwritten.",
    "missingtitle": "Somebody deleted the page meanwhile; it was not created again.",
    "pagedeleted": "Somebody deleted the page meanwhile; it was not created again.",
}
"""By the code of an error that means that somebody was quicker."""


def without_markup(text: str) -> str:
    """Give the wiki's words as plain text, not too long."""
    return unescape(re.sub(r"<[^>]*>", "", text)).strip()[:400]
