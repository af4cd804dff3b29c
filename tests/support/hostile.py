"""Words that would act where they are not escaped, and a server that knows who asked it for anything."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

_TEXTS = (
    "<script>document.title='ran'</script>",
    "<img src=x onerror=\"document.title='ran'\">",
    "<svg onload=\"document.title='ran'\"></svg>",
    "<img src=http://HERE/image>",
    "![a picture](http://HERE/markdown)",
    "![a file](/etc/passwd)",
    "<iframe src=http://HERE/frame></iframe>",
    "<link rel=stylesheet href=http://HERE/style>",
    "<style>@import url(http://HERE/import);</style>",
    "<object data=http://HERE/object></object>",
    '<meta http-equiv="refresh" content="0; url=http://HERE/refresh">',
    "<base href=http://HERE/>",
    '<form action=http://HERE/form><input autofocus onfocus="document.title=1"></form>',
    "[a link](javascript:document.title='ran')",
    "[a link]: http://HERE/reference",
    "<a href=\"javascript:document.title='ran'\">press</a>",
    "<details open ontoggle=\"document.title='ran'\"><summary>x</summary></details>",
    "`<script>document.title='ran'</script>`{=html}",
    '`#read("/etc/passwd")`{=typst}',
    '`<w:p><w:r><w:fldSimple w:instr="INCLUDETEXT /etc/passwd"/></w:r></w:p>`{=openxml}',
    "```{=html} <script>document.title='ran'</script> ```",
    "{{< include /etc/passwd >}}",
    "{{< video http://HERE/video >}}",
    "`{python} open('/etc/passwd').read()`",
    '#read("/etc/passwd")',
    '#image("/etc/passwd")',
    '#import "@preview/example:0.1.0": *',
    "$\\input{/etc/passwd}$",
    "\\input{/etc/passwd} \\write18{id}",
    "@bossuyt2015 and [@whiting2011]",
    "^[a note with ![x](http://HERE/note)]",
    "::: {.box onclick=alert(1)} words :::",
    "# A heading {onclick=alert(1)}",
    "1. a list - of * things + and > a quotation",
    "| a | table | --- |",
    "&lt;script&gt; &#60;b&#62; &amp;",
    "*stars* _lines_ ~~struck~~ H~2~O x^2^ --- ... 'quoted' \"twice\"",
    '=HYPERLINK("http://HERE/formula","press")',
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "\\\\HERE\\share <!-- a comment --> <![CDATA[x]]> ${7*7} {{7*7}} %s %n",
)
HERE = "127.0.0.1:9"
"""The address in the texts where no server listens: nobody answers there either."""

OF_EACH_KIND = (0, 1, 4, 5, 13, 17, 18, 19, 21, 24, 27, 29, 35, 36, 37)
"""Places of a few of the texts, one of each way to act."""


def hostile(here: str = HERE) -> tuple[str, ...]:
    """Forty texts that name the server at `here`."""
    return tuple(text.replace("HERE", here) for text in _TEXTS)


def letters(text: str) -> str:
    """The text as typesetting leaves it: without spaces and hyphens, which it may break; quotation marks straight."""
    return re.sub(r"[\s\-\u2010\u00ad]", "", text).translate(str.maketrans("‘’“”", "''\"\"")).replace("…", "...")


@contextmanager
def listening() -> Iterator[tuple[str, list[str]]]:
    """A server of this machine: its address, and the paths that it was asked for."""
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_said: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        server.server_close()
