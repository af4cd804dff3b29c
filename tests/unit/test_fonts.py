"""Pages and figures carry the fonts of what they show, small, and no program looks at the machine's own."""

from __future__ import annotations

import base64
import re
from io import BytesIO

import pytest
from fontTools.ttLib import TTFont

from examtally.fonts import TEXT, embed_in_figure, embed_in_page, font_folder

PAGE = "<html><head><title>x</title></head><body>{}</body></html>"
FIGURE = '<svg><defs></defs><text style="font-size: 9px">Se &gt; 0.90 −</text>{}<desc>§</desc></svg>'
FACE = re.compile(
    r'@font-face \{ font-family: "([^"]+)"; font-weight: (\d+); font-style: (\w+); '
    r'src: url\("data:font/woff2;base64,([^"]+)"\) format\("woff2"\); \}'
)


def fonts_of(text: str) -> dict[tuple[str, str, str], TTFont]:
    """The fonts that a text carries, by family, weight and style."""
    found = FACE.findall(text)
    return {(family, weight, style): TTFont(BytesIO(base64.b64decode(data))) for family, weight, style, data in found}


def characters(font: TTFont) -> set[str]:
    return set(map(chr, font.getBestCmap()))


def test_a_page_carries_the_faces_it_uses() -> None:
    plain = fonts_of(embed_in_page(PAGE.format("Knee")))
    assert set(plain) == {(TEXT, "400", "normal"), (TEXT, "700", "normal"), ("DejaVu Serif", "700", "normal")}
    more = fonts_of(embed_in_page(PAGE.format("<em>Knee</em> <code>x</code>")))
    assert set(more) - set(plain) == {(TEXT, "400", "italic"), ("DejaVu Sans Mono", "400", "normal")}


@pytest.mark.parametrize("shown", ["≥ − · ½ → é", "&#8805; &minus; &middot; &half; &rarr; &eacute;", "Ж", "☑"])
def test_a_page_carries_every_character_it_shows(shown: str) -> None:
    for font in fonts_of(embed_in_page(PAGE.format(shown))).values():
        assert set("Az09 \u00a0·") <= characters(font)
    sans = fonts_of(embed_in_page(PAGE.format(shown)))[TEXT, "400", "normal"]
    assert {"≥": set("≥−·½→é"), "&": set("≥−·½→é"), "Ж": {"Ж"}, "☑": {"☑"}}[shown[0]] <= characters(sans)
    assert not {"β", "ő"} & characters(sans)


def test_a_figure_carries_the_common_characters_and_its_own() -> None:
    (face,) = fonts_of(embed_in_figure(FIGURE.format(""))).items()
    assert face[0] == (TEXT, "400", "normal")
    assert set("Se > 0.90 −") <= characters(face[1])
    assert not set("§é½") & characters(face[1])
    bold = fonts_of(embed_in_figure(FIGURE.format('<text style="font-weight: 700">Z</text>')))
    assert (TEXT, "700", "normal") in bold


def test_fonts_stay_small_and_the_same_bytes_twice() -> None:
    first = embed_in_page(PAGE.format("Sensitivity ≥ 90%"))
    assert all(len(data) < 9_000 for *_, data in FACE.findall(first))
    from examtally import fonts

    fonts._packed.cache_clear()
    fonts._latin.cache_clear()
    assert embed_in_page(PAGE.format("Sensitivity ≥ 90%")) == first


def test_a_font_keeps_its_copyright() -> None:
    for font in fonts_of(embed_in_page(PAGE.format(""))).values():
        assert "Bitstream" in font["name"].getDebugName(0)


def test_the_folder_holds_the_family() -> None:
    assert {"DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSerif-Bold.ttf"} <= {
        path.name for path in font_folder().iterdir()
    }


def test_what_has_no_head_stays() -> None:
    assert embed_in_page("no page") == "no page"
