"""The invented maker of the demo register: names, years, numbers, and what is wrong on purpose.

Everything here is made up. Numbers: letters of the line, then 1 for gold or 3 for platinum, then two digits
of the motif. Codes in marks: V and the last two digits of a year.
"""

from __future__ import annotations

MAKER = ("Velderby Works", "1911/1968")
DISTRIBUTOR = ("Tallow Lane Stores", "1930/1955", "TL")

# Line: letters of its numbers, years.
LINES = {
    "Osmer": ("OS", "1921/1934"),
    "Brindlow": ("BR", "1928/1941"),
    "Corrick": ("CO", "1936/1952"),
    "Wexcombe Fell": ("WF", "1949/1961"),
}

# Motif: digits of its numbers, years, another name, variants.
MOTIFS = {
    "Quern Leaf": ("02", "1924/1961", "Millstone Leaf", ("open", "filled")),
    "Tidewrack": ("09", "1921/1940", "Wrack Border", ()),
    "Lanthorn Key": ("16", "1922/1950", "Lamp Key", ("open", "filled")),
    "Marram": ("23", "1928/1961", "Dune Grass", ("full", "reduced")),
    "Sedge Swag": ("30", "1936/1961", "", ("full", "reduced")),
    "Corbel Star": ("37", "1921/1934", "", ("open", "filled")),
    "Rill Scroll": ("44", "1930/1952", "Beck Scroll", ()),
    "Pip Row": ("51", "1928/1961", "", ("open", "filled")),
    "Gorse Spray": ("58", "1936/1961", "Whin Spray", ("open", "filled")),
    "Weir Lattice": ("65", "1921/1934", "", ()),
    "Kelp Knot": ("72", "1923/1958", "", ()),
    "Ferrule Dot": ("79", "1929/1941", "Collar Dot", ()),
}

# Line, motif, and in which metals: gold on almost every line, platinum on fewer and later.
USED = (
    ("Osmer", "Tidewrack", "gold platinum"),
    ("Osmer", "Lanthorn Key", "gold platinum"),
    ("Osmer", "Corbel Star", "gold platinum"),
    ("Osmer", "Weir Lattice", "gold platinum"),
    ("Osmer", "Kelp Knot", "gold"),
    ("Osmer", "Quern Leaf", "gold"),
    ("Brindlow", "Marram", "gold platinum"),
    ("Brindlow", "Pip Row", "gold platinum"),
    ("Brindlow", "Ferrule Dot", "gold"),
    ("Brindlow", "Rill Scroll", "gold"),
    ("Corrick", "Quern Leaf", "gold platinum"),
    ("Corrick", "Lanthorn Key", "gold platinum"),
    ("Corrick", "Sedge Swag", "gold platinum"),
    ("Corrick", "Rill Scroll", "gold platinum"),
    ("Corrick", "Gorse Spray", "gold platinum"),
    ("Wexcombe Fell", "Quern Leaf", "platinum"),
    ("Wexcombe Fell", "Marram", "gold platinum"),
    ("Wexcombe Fell", "Sedge Swag", "gold platinum"),
    ("Wexcombe Fell", "Pip Row", "gold platinum"),
    ("Wexcombe Fell", "Gorse Spray", "gold"),
    ("Wexcombe Fell", "Kelp Knot", "platinum"),
)
PIECES_OF = {"gold": 6, "platinum": 3}
METAL_YEARS = {"gold": "1921/1961", "platinum": "1931/1956"}

# Kind and diameter in mm: sizes that the trade knows (dinner, dessert, bread plate, soup, cup, saucer).
KINDS = (
    ("dinner plate", 254.0),
    ("dessert plate", 203.0),
    ("cup", 90.0),
    ("saucer", 146.0),
    ("soup plate", 210.0),
    ("bread plate", 159.0),
    ("sugar bowl", 104.0),
    ("oval platter", 330.0),
    ("creamer", 70.0),
)
EDGES = ("gold", "green", "none", "black", "none", "blue")
DEFECTS = (
    (),
    (("wear", "trim, 10 to 2 o'clock", None),),
    (("chip", "lip, 5 o'clock", 3.0),),
    (("hairline", "rim to verge, 9 o'clock", 22.0),),
    (),
    (("stain", "well", None), ("scratches", "well", None)),
)
