"""The wiring page as PDF, by WeasyPrint, which is an extra that may be missing.

Nothing is fetched: the page holds all that it needs.  The same page gives the
same bytes, since nothing of the day or the machine goes in but its fonts.
"""

from __future__ import annotations

import importlib
import logging
from typing import Any

from buildkit import bench
from buildkit.circuit import Circuit

DEBIAN = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core"


class CannotPrint(Exception):
    """No PDF can be made here; the message says what to install."""


def paper(circuit: Circuit) -> str:
    """The paper of the place: Letter in the US, A4 elsewhere and where the build does not say."""
    return "Letter" if bench.region(circuit.build) == "us" else "A4"


def render(page: str, size: str) -> bytes:
    """A page of HTML as PDF on paper of that size."""
    weasyprint = _library()
    sheet = weasyprint.CSS(string=f"@page {{ size: {size} }}")
    document = weasyprint.HTML(string=page, url_fetcher=_nothing)
    return bytes(document.write_pdf(stylesheets=[sheet]))


def _nothing(url: str, *_: Any, **__: Any) -> Any:
    raise ValueError(f"the page asks for {url}, and holds all that it needs")


def _library() -> Any:
    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it warns of rules for screens
    try:
        return importlib.import_module("weasyprint")
    except ImportError:
        raise CannotPrint(
            "--pdf needs WeasyPrint: pip install 'buildkit[pdf]'. On Debian also: "
            f"apt-get install {DEBIAN}. Or leave --pdf out and print wiring.html."
        ) from None
    except OSError as error:
        raise CannotPrint(
            f"--pdf needs the system libraries of WeasyPrint ({str(error).splitlines()[0]}). "
            f"On Debian: apt-get install {DEBIAN}. Or leave --pdf out and print wiring.html."
        ) from None
