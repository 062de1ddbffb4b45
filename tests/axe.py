"""A page in headless Chromium: what axe-core, an accessibility checker, finds wrong with it, and how it looks.

No driver is needed: the page gets the checker as a script, and the browser prints the page as it is when that is done.
The page sits in a frame, because the browser's own window cannot be as narrow as a phone.
"""

from __future__ import annotations

import html
import importlib.util
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

_POLICY = re.compile(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>")
_CHECK = """
axe.run(document, {resultTypes: ['violations']}).then(function (found) {
  var told = found.violations.map(function (v) {
    var where = v.nodes.map(function (n) { return n.html.slice(0, 200); });
    return {id: v.id, impact: v.impact, help: v.help, where: where};
  });
  var root = document.documentElement;
  if (root.scrollWidth > root.clientWidth) {
    told.push({id: 'wider-than-the-screen', impact: 'serious', help: 'scrolls sideways', where: [root.scrollWidth]});
  }
  parent.postMessage(JSON.stringify(told), '*');
});
"""
_FRAME = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><meta name="color-scheme" content="light dark">
<title>frame</title><style>body, iframe {{ margin: 0; border: 0; display: block }}</style></head><body>
<iframe title="page" src="{src}" style="width: {width}px; height: {height}px"></iframe><script>
addEventListener('message', function (told) {{
  var out = document.createElement('pre');
  out.id = 'axe-found';
  out.textContent = told.data;
  document.body.appendChild(out);
}});
</script></body></html>"""


def chromium() -> str:
    """The browser; without one the test is skipped."""
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if found is None:
        pytest.skip("no Chromium is installed; on Debian: apt-get install chromium")
    return found


def checker() -> str:
    """The text of axe-core; without it the test is skipped."""
    spec = importlib.util.find_spec("axe_core_python")
    if spec is None or spec.origin is None:
        pytest.skip("axe-core is not installed; it comes with: pip install axe-core-python")
    return (Path(spec.origin).parent / "axe.min.js").read_text("utf-8")


def violations(page: str, folder: Path, *, width: int = 390, dark: bool = False) -> list[dict[str, Any]]:
    """What axe-core finds wrong with a page: id, impact, help, where; and whether it is wider than the screen."""
    scripts = f"<script>{checker()}</script><script>{_CHECK}</script></body>"
    # the page's own policy forbids scripts, the checker's too
    file = _framed(_POLICY.sub("", page).replace("</body>", scripts), folder, width=width, height=900)
    done = _browser(folder, dark, "--virtual-time-budget=60000", "--dump-dom", file.as_uri())
    found = re.search(r'<pre id="axe-found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found, f"the checker did not finish: {done.stderr[-500:]}"
    return list(json.loads(html.unescape(found[1])))


def picture(page: str, folder: Path, file: Path, *, width: int, height: int, dark: bool = False) -> None:
    """A picture of the upper part of a page, to be looked at."""
    file.parent.mkdir(parents=True, exist_ok=True)
    framed = _framed(page, folder, width=width, height=height)
    window = f"--window-size={max(width, 500)},{height}"
    _browser(folder, dark, window, "--hide-scrollbars", f"--screenshot={file}", framed.as_uri())
    assert file.is_file()


def _framed(page: str, folder: Path, *, width: int, height: int) -> Path:
    (folder / "page.html").write_text(page, "utf-8")
    frame = folder / "frame.html"
    frame.write_text(_FRAME.format(src="page.html", width=width, height=height), "utf-8")
    return frame


def _browser(folder: Path, dark: bool, *words: str) -> subprocess.CompletedProcess[str]:
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    flags += [f"--user-data-dir={folder / 'profile'}", f"--blink-settings=preferredColorScheme={0 if dark else 1}"]
    return subprocess.run([chromium(), *flags, *words], capture_output=True, text=True, timeout=120, check=False)
