"""The documentation site: `sphinx-build -W docs build/site`. Needs no network."""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from site_build import made_by_the_build  # noqa: E402

project = "simkit"
extensions = ["myst_parser"]
# Links are tested in tests/house; some lead out of this folder, to DEVELOPERS.md and the cases.
suppress_warnings = ["myst.xref_missing"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["gallery"]
myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "description": "Dent removal without filler or paint, simulated", "fixed_sidebar": True,
    "page_width": "1080px", "sidebar_width": "250px",
    "font_family": "DejaVu Sans, Arial, sans-serif",
    "show_powered_by": False, "github_button": False}
html_show_copyright = False


def setup(app):
    """Write the generated pages before Sphinx reads."""
    app.connect("builder-inited", lambda app: made_by_the_build(HERE / "generated"))
