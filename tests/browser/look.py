"""Take pictures of a page: screen, print and greyscale.

    python tests/browser/look.py PAGE.html FOLDER      # writes screen.png, print.png, grey.png, and says pages on A4 and Letter
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from devtools import A4, LETTER, Browser  # noqa: E402  (the path must stand first)

if __name__ == "__main__":
    page, to = Path(sys.argv[1]).resolve(), Path(sys.argv[2])
    to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as profile:
        browser = Browser(Path(profile))
        print(f"loaded in {browser.open(page):.2f} s; complaints {browser.complaints()}; requests {browser.requests()}")
        print(f"pages on A4 {browser.pages_printed(A4)}, on Letter {browser.pages_printed(LETTER)}")
        for name, options in {"screen": {}, "print": {"media": "print"}, "grey": {"grey": True}}.items():
            width = 720 if name == "print" else 1040
            browser.as_media(options.get("media", ""), width=width, height=900)
            tall = min(int(browser.run("document.documentElement.scrollHeight")), 9000)
            (to / f"{name}.png").write_bytes(browser.picture(width=width, height=tall, **options))
        browser.close()
