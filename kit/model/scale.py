"""The scale on which a response is fitted: as measured, its logarithm, a power, or a share between two bounds.

Every scale rises with the response, so limits, quantiles and chances can be taken on either side: the chance that a
part lies between two limits is the chance that its value on the fitted scale lies between the limits there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from kit.saying import MINUS
from kit.study.description import Response
from kit.terms import FloatArray

Kind = Literal["as_measured", "log", "power", "share"]

POWER_WORDS: Mapping[float, str] = {
    0.5: "square root",
    2.0: "square",
    -1.0: "reciprocal",
    -0.5: "reciprocal square root",
}


@dataclass(frozen=True)
class Scale:
    """A rising map between what was measured and what is fitted.

    Attributes
    ----------
    kind : {"as_measured", "log", "power", "share"}
    power : float
        p of ``power``: ((y/g)^p - 1) / p (Box & Cox 1964, J. R. Stat. Soc. B 26, 211-252, with y in units of g, so that
        near g the fitted value is the relative difference from g); 0 for ``log``.
    reference : float
        g of ``power``, in the unit of the response.
    bounds : tuple of float
        Ends of ``share``, in the unit of the response; fitted is the logit of the place between them.
    shrunk : int
        ``share`` with prints at a bound: every share u is moved to (u (n - 1) + 0.5) / n first, n this number of prints
        (Smithson & Verkuilen 2006, Psychological Methods 11, 54-71); 0 = not needed.
    interval : tuple of float, or None
        95 % profile interval of the power, where it was found from the prints themselves.
    """

    kind: Kind = "as_measured"
    power: float = 1.0
    reference: float = 1.0
    bounds: tuple[float, float] = (0.0, 1.0)
    shrunk: int = 0
    interval: tuple[float, float] | None = None

    @property
    def is_plain(self) -> bool:
        """Whether the response is fitted as it was measured."""
        return self.kind == "as_measured"

    @property
    def found(self) -> bool:
        """Whether the power was found from the prints that the surface is fitted to."""
        return self.interval is not None

    def forward(self, values: npt.ArrayLike) -> FloatArray:
        """Give values on the fitted scale; at and beyond the ends of the scale infinite.

        Parameters
        ----------
        values : array, any shape
            In the unit of the response.

        Returns
        -------
        array
            Of the same shape.

        Examples
        --------
        >>> Scale("log", power=0.0).forward([1.0, 10.0]).round(3)
        array([0.   , 2.303])
        """
        y = np.asarray(values, dtype=float)
        if self.is_plain:
            return y
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            if self.kind == "share":
                u = self._share(y)
                return np.asarray(np.log(u) - np.log1p(-u))
            logs = np.log(np.maximum(y, 0.0) / self.reference)
            if self.kind == "log":
                return np.asarray(logs)
            # expm1 keeps the digits that y^p - 1 would lose near power 0.
            return np.asarray(np.expm1(self.power * logs) / self.power)

    def back(self, values: npt.ArrayLike) -> FloatArray:
        """Give values in the unit of the response; what no response can reach is its end: 0, a bound, infinity.

        Parameters
        ----------
        values : array, any shape
            On the fitted scale.

        Returns
        -------
        array
            Of the same shape.

        Examples
        --------
        >>> Scale("power", power=-1.0, reference=40.0).back([0.0, 0.5, 1.5])
        array([40., 80., inf])
        """
        z = np.asarray(values, dtype=float)
        if self.is_plain:
            return z
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            if self.kind == "share":
                return self._unshare(z)
            if self.kind == "log":
                return np.asarray(self.reference * np.exp(z))
            inside = np.maximum(self.power * z, -1.0)
            return np.asarray(self.reference * np.exp(np.log1p(inside) / self.power))

    def slope(self, values: npt.ArrayLike) -> FloatArray:
        """Give how much the fitted scale rises per unit of the response, at values inside the scale.

        Returns
        -------
        array
            For the delta method: an SD times this is the SD on the fitted scale.
        """
        y = np.asarray(values, dtype=float)
        if self.is_plain:
            return np.ones_like(y)
        if self.kind == "share":
            u, n = self._share(y), self.shrunk
            inner = (n - 1) / n if n else 1.0
            return np.asarray(inner / (self.bounds[1] - self.bounds[0]) / (u * (1 - u)))
        return np.asarray((y / self.reference) ** (self.power - 1) / self.reference)

    def sd_in_unit(self, sd: FloatArray, values: npt.ArrayLike) -> FloatArray:
        """Give standard deviations on the fitted scale in the unit of the response, to first order.

        Parameters
        ----------
        sd : array, any shape
            On the fitted scale.
        values : array, of the same shape
            Where, in the unit of the response; at an end of the scale the answer may be 0 or infinite.

        Returns
        -------
        array
        """
        if self.is_plain:
            return sd
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return np.asarray(sd / self.slope(values))

    def _share(self, y: FloatArray) -> FloatArray:
        low, high = self.bounds
        u = np.clip((y - low) / (high - low), 0.0, 1.0)
        return (u * (self.shrunk - 1) + 0.5) / self.shrunk if self.shrunk else u

    def _unshare(self, z: FloatArray) -> FloatArray:
        low, high = self.bounds
        u = 0.5 * (1 + np.tanh(z / 2))
        if self.shrunk:
            u = np.clip((u * self.shrunk - 0.5) / (self.shrunk - 1), 0.0, 1.0)
        return np.asarray(low + (high - low) * u)

    def label(self, title: str) -> str:
        """Name what is fitted, such as ``log of gloss``."""
        if self.is_plain:
            return title
        if self.kind == "log":
            return f"log of {title}"
        if self.kind == "share":
            return f"log odds of {title}"
        return f"{self.spoken} of {title}"

    @property
    def spoken(self) -> str:
        """Its name in a sentence: ``logarithm``, ``square root`` ..., ``power −2``."""
        if self.kind == "power":
            known = POWER_WORDS.get(self.power)
            return known or f"power {self.power:g}".replace("-", MINUS)
        return {"as_measured": "own scale", "log": "logarithm", "share": "log odds"}[self.kind]

    def requirement(self, stated: Response) -> Response:
        """Give the response as it looks on the fitted scale: its limits there, no unit, a label that says so.

        Parameters
        ----------
        stated : Response
            As the study states it.

        Returns
        -------
        Response
            ``stated`` itself where it is fitted as measured. What has no counterpart on the scale (margin, scatter,
            plausible readings) is left out.
        """
        if self.is_plain:
            return stated
        ends = {k: getattr(stated, k) for k in ("lower", "upper", "target")}
        moved = {k: None if v is None else float(self.forward(v)) for k, v in ends.items()}
        gone = {"plausible": None, "margin": None, "scatter": None}
        return stated.model_copy(
            update={**moved, **gone, "unit": "", "label": self.label(stated.title)}
        )


AS_MEASURED = Scale()
