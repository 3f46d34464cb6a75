"""How each verdict looks on a map: word, colour, shape, and hatch of an area; as style texts that a GIS reads.

Colours: Okabe & Ito, Color Universal Design (2002, revised 2008), from memory; shape, hatch and word repeat them. The
style texts: OGC Symbology Encoding 1.1 (OGC 05-077r4) in a Styled Layer Descriptor 1.1 (OGC 05-078r4), and the XML of
QGIS.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from xml.sax.saxutils import escape

__all__ = ["VERDICT_SYMBOLS", "VerdictSymbol", "qml_style", "sld_style"]


@dataclass(frozen=True, slots=True)
class VerdictSymbol:
    """colour : of marker and area, edged in black; shape, hatch : names of our own and of QGIS."""

    word: str
    colour: str
    shape: str
    hatch: str


VERDICT_SYMBOLS: Mapping[str, VerdictSymbol] = MappingProxyType(
    {
        "clear": VerdictSymbol("CLEAR", "#56B4E9", "circle", "solid"),
        "marginal": VerdictSymbol("MARGINAL", "#F0E442", "triangle", "f_diagonal"),
        "needs-survey": VerdictSymbol("NEEDS SURVEY", "#CC79A7", "diamond", "horizontal"),
        "unknown": VerdictSymbol("UNKNOWN", "#FFFFFF", "square", "dense6"),
        "blocked": VerdictSymbol("BLOCKED", "#D55E00", "cross", "diagonal_x"),
    }
)
"""The best verdict first; the same colours and shapes as in the pictures."""

_SLD_SHAPES = {"diamond": "square", "cross": "x"}
_QGIS_SHAPES = {"cross": "cross_fill"}


def sld_style(layer: str, column: str, *, areas: bool) -> str:
    """A Styled Layer Descriptor with one rule a verdict; column : holds the verdict."""
    rules = "".join(_sld_rule(name, symbol, column, areas) for name, symbol in VERDICT_SYMBOLS.items())
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<StyledLayerDescriptor version="1.1.0" xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc" xmlns:se="http://www.opengis.net/se">'
        f"<NamedLayer><se:Name>{escape(layer)}</se:Name><UserStyle><se:Name>verdict</se:Name>"
        f"<se:FeatureTypeStyle>{rules}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"
    )


def _sld_rule(name: str, symbol: VerdictSymbol, column: str, areas: bool) -> str:
    fill = f'<se:Fill><se:SvgParameter name="fill">{symbol.colour}</se:SvgParameter></se:Fill>'
    edge = '<se:Stroke><se:SvgParameter name="stroke">#000000</se:SvgParameter></se:Stroke>'
    turn = "<se:Rotation><ogc:Literal>45</ogc:Literal></se:Rotation>" if symbol.shape == "diamond" else ""
    shape = _SLD_SHAPES.get(symbol.shape, symbol.shape)
    mark = (
        f"<se:PointSymbolizer><se:Graphic><se:Mark><se:WellKnownName>{shape}</se:WellKnownName>{fill}{edge}</se:Mark>"
        f"<se:Size>9</se:Size>{turn}</se:Graphic></se:PointSymbolizer>"
    )
    area = f"<se:PolygonSymbolizer>{fill}{edge}</se:PolygonSymbolizer>"
    return (
        f"<se:Rule><se:Name>{symbol.word}</se:Name><ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>{escape(column)}"
        f"</ogc:PropertyName><ogc:Literal>{name}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
        f"{area if areas else ''}{mark}</se:Rule>"
    )


def qml_style(column: str, *, areas: bool) -> str:
    """The same as QGIS keeps it: one category a verdict. Areas are hatched in black over their colour."""
    kind = "fill" if areas else "marker"
    categories, symbols = [], []
    for number, (name, symbol) in enumerate(VERDICT_SYMBOLS.items()):
        categories.append(f'<category value="{name}" label="{symbol.word}" symbol="{number}" render="true"/>')
        layers = _area_layers(symbol) if areas else _marker_layer(symbol)
        symbols.append(
            f'<symbol type="{kind}" name="{number}" alpha="1" clip_to_extent="1">{layers}</symbol>'
        )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22" styleCategories="Symbology">'
        f'<renderer-v2 type="categorizedSymbol" attr="{escape(column)}" symbollevels="0" enableorderby="0">'
        f"<categories>{''.join(categories)}</categories><symbols>{''.join(symbols)}</symbols></renderer-v2></qgis>\n"
    )


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"


def _layer(kind: str, **settings: str) -> str:
    """A symbol layer, its settings in both spellings that QGIS has had."""
    options = "".join(f'<Option type="QString" name="{k}" value="{v}"/>' for k, v in settings.items())
    older = "".join(f'<prop k="{k}" v="{v}"/>' for k, v in settings.items())
    return f'<layer class="{kind}" enabled="1" locked="0" pass="0"><Option type="Map">{options}</Option>{older}</layer>'


def _marker_layer(symbol: VerdictSymbol) -> str:
    return _layer(
        "SimpleMarker", name=_QGIS_SHAPES.get(symbol.shape, symbol.shape), color=_rgba(symbol.colour),
        outline_color="0,0,0,255", outline_style="solid", outline_width="0.2", size="2.6", size_unit="MM", angle="0",
    )  # fmt: skip


def _area_layers(symbol: VerdictSymbol) -> str:
    edge = {"outline_color": "0,0,0,255", "outline_style": "solid", "outline_width": "0.26"}
    under = _layer("SimpleFill", color=_rgba(symbol.colour), style="solid", **edge)
    over = _layer("SimpleFill", color="0,0,0,255", style=symbol.hatch, **edge)
    return under + (over if symbol.hatch != "solid" else "")
