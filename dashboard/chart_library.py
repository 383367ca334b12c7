"""The library that draws the charts of pages: plotly.js's basic bundle, which draws lines, points, bars and pies.

It is a quarter of the whole library that plotly and Dash bring, and a page stands sooner for it (docs/numerics.md). The
version is the one that they bring, so that what is drawn is the same; a test holds that, and that the file is as
published.
"""

from pathlib import Path

VERSION = "4.1.1"
#: Where the file is from, as `package/plotly-basic.min.js`; its licence (MIT) lies beside it.
ORIGIN = f"https://registry.npmjs.org/plotly.js-basic-dist-min/-/plotly.js-basic-dist-min-{VERSION}.tgz"
SHA256 = "99784e3abfb07b142a15e521a439e6d9addceadb3f79553fd24c72774f0649ba"
PATH = Path(__file__).parent / "web" / "assets" / "plotly" / "plotly-basic.min.js"


def script() -> str:
    """The library as an element of HTML, for files that open offline."""
    return f"<script>{PATH.read_text('utf-8')}</script>"
