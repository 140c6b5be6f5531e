"""What every page's ``results.json`` has in common: its head, cautions and provenance, and values that JSON can hold."""

from __future__ import annotations

import hashlib
import math
import platform
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

import numpy as np

from kit.bench.cautions import cautions_for
from kit.study.description import Study

SCHEMA = 1
VERSIONS = ("testprint-kit", "numpy", "scipy", "pandas", "statsmodels")


def numbers_document(
    study: Study,
    digests: Mapping[str, str],
    body: Mapping[str, Any],
    parameters: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Give the contents of a ``results.json``.

    Parameters
    ----------
    study : Study
        Whose numbers they are.
    digests : mapping of file name to digest
        The input files.
    body : mapping
        What this page found.
    parameters : mapping, optional
        The notebook's options other than the study folder.

    Returns
    -------
    dict
        Plain JSON values; missing numbers are None.
    """
    document = {
        "schema": SCHEMA,
        "title": study.title,
        "digest": overall_digest(digests),
        **body,
        "cautions": [c.text for c in cautions_for(study)],
        "provenance": provenance_numbers(study, digests, parameters),
    }
    return json_values(document)  # type: ignore[no-any-return]


def provenance_numbers(
    study: Study, digests: Mapping[str, str], parameters: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Give what the numbers were made from and with."""
    return {
        "versions": {"python": platform.python_version(), **{n: version(n) for n in VERSIONS}},
        "seed": study.seed,
        "parameters": {"study": ".", **dict(parameters or {})},
        "input_digests": dict(sorted(digests.items())),
    }


def overall_digest(digests: Mapping[str, str]) -> str:
    """Give one SHA-256 over the digests of all input files."""
    joined = "".join(f"{name}:{digest}\n" for name, digest in sorted(digests.items()))
    return hashlib.sha256(joined.encode()).hexdigest()


def json_values(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Turn numpy scalars into plain ones and what is no number into None."""
    if isinstance(value, Mapping):
        return {str(k): json_values(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [json_values(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
