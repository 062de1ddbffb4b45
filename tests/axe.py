"""axe-core in headless Chromium: what an accessibility checker finds wrong with a page.

No driver is needed: the page gets the checker as a script, and the browser prints the page as it is when that is done.
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

_SCRIPT = """
axe.run(document, {resultTypes: ['violations']}).then(function (found) {
  var out = document.createElement('pre');
  out.id = 'axe-found';
  out.textContent = JSON.stringify(found.violations.map(function (v) {
    var where = v.nodes.map(function (n) { return n.html.slice(0, 200); });
    return {id: v.id, impact: v.impact, help: v.help, where: where};
  }));
  document.body.appendChild(out);
});
"""


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
    """What axe-core finds wrong with a page: id, impact, help, where."""
    browser, axe = chromium(), checker()
    # the page's own policy forbids scripts, the checker's too
    open_page = re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", page)
    assert "Content-Security-Policy" not in open_page
    file = folder / f"axe-{width}-{dark}.html"
    file.write_text(open_page.replace("</body>", f"<script>{axe}</script><script>{_SCRIPT}</script></body>"), "utf-8")
    words = [browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    words += [f"--user-data-dir={folder / 'profile'}", f"--window-size={width},900", "--virtual-time-budget=60000"]
    words += ["--blink-settings=preferredColorScheme=" + ("0" if dark else "1"), "--dump-dom", file.as_uri()]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    found = re.search(r'<pre id="axe-found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found, f"the checker did not finish: {done.stderr[-500:]}"
    return list(json.loads(html.unescape(found[1])))
