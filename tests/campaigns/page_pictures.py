"""Pictures of every page that the program writes, to be looked at: two widths, dark, printed.

    python tests/campaigns/page_pictures.py FOLDER [PAGE ...]

makes takes and fits in a temporary folder with the simulated bench, runs the commands that write
pages, then photographs each page at 390 and 1400 pixels, in the dark, and printed, into FOLDER.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE.parent), str(HERE / "support"), str(HERE / "support" / "running")]

from browser import Browser  # noqa: E402
from every_page import written  # noqa: E402


def main(out: Path, only: tuple[str, ...] = ()) -> None:
    """Write the pictures."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        for page, path in written(Path(name)).items():
            if only and page not in only:
                continue
            for width, dark in ((390, False), (390, True), (1400, False), (1400, True)):
                browser.open(path, size=(width, 900), dark=dark)
                browser.picture(out / f"{page}-{width}-{'dark' if dark else 'light'}.png")
            browser.open(path)
            pdf = out / f"{page}.pdf"
            pdf.write_bytes(browser.printed())
            words = ["pdftoppm", "-r", "60", "-png", str(pdf), str(out / f"{page}-print")]
            subprocess.run(words, check=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), tuple(sys.argv[2:]))
