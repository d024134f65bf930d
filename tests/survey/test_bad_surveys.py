"""Every way a survey can be unusable, with the whole text that says so."""

import pytest
from small_job import HEADER, JOB, SURVEY, complaint, job

from optimiser.job import Dxf, Measuring
from optimiser.problems import BadInput
from optimiser.survey import problems_without_job, read_survey


def rows(*more: str) -> str:
    """The good survey, whose last row is row 4, with rows added from row 5 on."""
    return SURVEY + "".join(row + "\n" for row in more)


def square(zone: str, x: float, y: float, side: float, ring: str = "") -> list[str]:
    places = ((x, y), (x + side, y), (x + side, y + side), (x, y + side))
    return [f",corner,{zone},{a},{b},,,{ring}," for a, b in places]


def corners(*places: tuple[float, float]) -> list[str]:
    return [f",corner,bed,{x},{y}" for x, y in places]


def site(*more: str, supply: str, lamp: str) -> str:
    return "\n".join([HEADER.strip(), f"S1,supply,,{supply}", f"L1,lamp,spike,{lamp}", *more, ""])


SHIFTED = """\
point,kind,of,x,y,group,stem_mm
S1,supply,,0.5,0.5,,
L1,lamp,spike,4.5,3.5,front,
L2,lamp,spike,8.5,3.5,back,
P1,peg,,-9.5,-20.5,,
"""
UNSHIFT = (
    "the row looks shifted by a decimal comma: write decimals with a point, put a number that has a comma in quotes, "
    "or separate the columns with semicolons"
)
IN_DEGREES = """\
point,kind,of,latitude,longitude
S1,supply,,47.376912,8.541234
L1,lamp,spike,47.376955,8.541301
L2,lamp,spike,47.376940,8.541350
L3,lamp,spike,47.376930,8.541320
"""

BAD: dict[str, tuple[str | bytes, str]] = {
    "empty file": (
        b"",
        "survey.csv: is empty\n    mend: write the header point,kind,of,x,y and a row for each point",
    ),
    "blank rows only": (
        ",,,\n\n",
        "survey.csv: is empty\n    mend: write the header point,kind,of,x,y and a row for each point",
    ),
    "header only": (
        HEADER,
        "survey.csv:1: has no rows below the header\n    mend: write a row for each point",
    ),
    "no header": (
        "S1,supply,,0,0\nL1,lamp,spike,1,1\n",
        "survey.csv:1: has none of the columns point, kind, of, x, y in its first row\n"
        "    mend: write the header point,kind,of,x,y above the points",
    ),
    "not UTF-8": (
        SURVEY.encode() + "B\u00e4ume,peg,,1,1\n".encode("latin-1"),
        "survey.csv:5: found byte 0xe4, which is not UTF-8\n    mend: save it from the spreadsheet as CSV UTF-8",
    ),
    "NUL": (
        b"p\0o\0i\0n\0t\0",
        "survey.csv: holds NUL characters, so it is not a text file\n"
        "    mend: save it from the spreadsheet as CSV UTF-8",
    ),
    "broken UTF-16": (
        b"\xff\xfea",
        "survey.csv: found byte 0x61, which is not UTF-16\n    mend: save it from the spreadsheet as CSV UTF-8",
    ),
    "open quote": (
        rows('"L3,lamp,spike,1,1'),
        "survey.csv:5: is not readable from this row on (unexpected end of data)\n"
        "    mend: close every quoted field with a quote, doubling quotes inside",
    ),
    "no lamps": (
        HEADER + "S1,supply,,0,0\n",
        "survey.csv:kind: has no lamps\n    mend: write a row of kind lamp for each lamp",
    ),
    "no supply": (
        HEADER + "L1,lamp,spike,0,0\n",
        "survey.csv:kind: has no supply point\n"
        "    mend: write a row of kind supply for each mains outlet that may take a driver",
    ),
    "name twice": (
        rows("l1,lamp,spike,5,5"),
        "survey.csv:5:point: found 'l1', the name that the lamp in row 3 has\n"
        "    mend: give each point a name of its own",
    ),
    "name twice, other kind": (
        rows("L1,tree,,5,5,,,,200"),
        "survey.csv:5:point: found 'L1', the name that the lamp in row 3 has\n"
        "    mend: give each point a name of its own",
    ),
    "no name": (
        rows(",supply,,5,5"),
        "survey.csv:5:point: is empty\n    mend: write the supply point's name",
    ),
    "unknown type": (
        rows("L3,lamp,spyke,5,5"),
        "survey.csv:5:of: found 'spyke', which is no lamp type of the job\n    mend: did you mean 'spike'?",
    ),
    "unknown type, none near": (
        rows("L3,lamp,zzz,5,5"),
        "survey.csv:5:of: found 'zzz', which is no lamp type of the job\n"
        "    mend: write one of spike, post, float, flood, or add [lamps.zzz]",
    ),
    "no type": (
        rows("L3,lamp,,5,5"),
        "survey.csv:5:of: is empty\n    mend: write the name of a lamp type",
    ),
    "unknown kind": (
        rows("L3,lmap,spike,5,5"),
        "survey.csv:5:kind: found 'lmap', which is no kind of point\n    mend: did you mean 'lamp'?",
    ),
    "unknown kind, none near": (
        rows("L3,qqq,spike,5,5"),
        "survey.csv:5:kind: found 'qqq', which is no kind of point\n"
        "    mend: write one of lamp, supply, corner, sleeve, tree, peg, mains",
    ),
    "no kind": (
        rows("L3,,spike,5,5"),
        "survey.csv:5:kind: is empty\n    mend: write one of lamp, supply, corner, sleeve, tree, peg, mains",
    ),
    "decimal comma": (
        rows('L3,lamp,spike,"12,4",5'),
        "survey.csv:5:x: found '12,4', which is not a number\n    mend: write 12.4",
    ),
    "feet in cells": (
        rows("""L3,lamp,spike,8'2","-5 ft" """.strip(), 'T1,tree,,1,9,,,,18"'),
        "survey.csv:5:x: found '8'2\"', in feet or inches\n"
        "    mend: the survey is metric: this is 2.489 m\n"
        "survey.csv:5:y: found '-5 ft', in feet or inches\n"
        "    mend: the survey is metric: this is -1.524 m\n"
        "survey.csv:6:stem_mm: found '18\"', in feet or inches\n"
        "    mend: the survey is metric: this is 0.457 m",
    ),
    "a date that was a number": (
        rows("L3,lamp,spike,02.Apr,02:45"),
        "survey.csv:5:x: found '02.Apr', a date or a time\n"
        "    mend: set the column to text, and write the number again: a spreadsheet takes some for dates\n"
        "survey.csv:5:y: found '02:45', a date or a time\n"
        "    mend: set the column to text, and write the number again: a spreadsheet takes some for dates",
    ),
    "cells that a spreadsheet could not show": (
        rows("L3,lamp,spike,#####,#REF!", "L4,lamp,spike,=B2+3,5"),
        "survey.csv:5:x: found '#####', which stood in too narrow a column\n"
        "    mend: widen the column, and save it again\n"
        "survey.csv:5:y: found '#REF!', an error of the spreadsheet's\n"
        "    mend: mend its formula, or write the number\n"
        "survey.csv:6:x: found '=B2+3', a formula\n"
        "    mend: save the values, not the formulas",
    ),
    "a dash for a minus, a space beside the point": (
        rows("L3,lamp,spike,2\u00a0.45,\u20134.65"),
        "survey.csv:5:x: found '2 .45', which is not a number\n"
        "    mend: write 2.45\n"
        "survey.csv:5:y: found '\u20134.65', which is not a number\n"
        "    mend: write -4.65",
    ),
    "kind and of changed over": (
        rows("L3,spike,lamp,5,5"),
        "survey.csv:5:kind: found 'spike', which is no kind of point\n"
        "    mend: 'lamp' stands under of: are the two changed over?",
    ),
    "a title above the header": (
        "Back garden,,,,\n,,,,\n" + SURVEY,
        "survey.csv:1: is not the header, which stands in row 3\n    mend: delete the rows above row 3",
    ),
    "a title above a header with semicolons": (
        "Back garden, measured in March\n" + SURVEY.replace(",", ";"),
        "survey.csv:1: is not the header, which stands in row 2\n    mend: delete the rows above row 2",
    ),
    "merged heads above the header": (
        "Point,,,Position,\n" + SURVEY,
        "survey.csv:1: is not the header, which stands in row 2\n    mend: delete the rows above row 2",
    ),
    "columns parted by a sign that none reads": (
        SURVEY.replace(",", "|"),
        "survey.csv:1: has columns parted by '|'\n    mend: part them by commas, semicolons or tabs",
    ),
    "a note beyond the header": (
        rows("L3,lamp,spike,5,5,,,,,see photo"),
        "survey.csv:5: has 10 fields where the header has 9\n"
        "    mend: give its last columns a head too (note, say), or put texts with a comma in quotes",
    ),
    "a zone's name with and without its space": (
        rows("a,corner,bed 1,1,5", "b,corner,bed 1,3,5", "c,corner,bed1,3,7", "d,corner,bed 1,1,7"),
        "survey.csv:7:of: found zone 'bed1' with 1 corner\n"
        "    mend: did you mean 'bed 1'? Else give it at least three corners, in order round its edge",
    ),
    "text for a number": (
        rows("L3,lamp,spike,abc,5"),
        "survey.csv:5:x: found 'abc', which is not a number\n    mend: write a number",
    ),
    "nan and inf": (
        rows("L3,lamp,spike,nan,inf"),
        "survey.csv:5:x: found 'nan', which is not a finite number\n"
        "    mend: write the measured number\n"
        "survey.csv:5:y: found 'inf', which is not a finite number\n"
        "    mend: write the measured number",
    ),
    "past the largest number": (
        rows("L3,lamp,spike,1e999,5"),
        "survey.csv:5:x: found '1e999', which is not a finite number\n    mend: write the measured number",
    ),
    "no x": (
        rows("L3,lamp,spike,,5"),
        "survey.csv:5:x: is empty\n    mend: write the measured metres",
    ),
    "unit": (
        rows("L3,lamp,spike,12.4 m,5"),
        "survey.csv:5:x: found '12.4 m', which is not a number\n    mend: write 12.4",
    ),
    "thousands": (
        rows('L3,lamp,spike,"1,234.5",5'),
        "survey.csv:5:x: found '1,234.5', which is not a number\n    mend: write 1234.5",
    ),
    "decimal point among commas": (
        "point;kind;of;x;y\nS1;supply;;0,5;1\nL1;lamp;spike;3,25;4.5\n",
        "survey.csv:3:y: found '4.5', with a decimal point where the other numbers have a comma\n    mend: write 4,5",
    ),
    "more fields than columns": (
        rows("L3,lamp,spike,12,4,5,5,,,,3"),
        "survey.csv:5: has 11 fields where the header has 9\n"
        "    mend: write decimals with a point, and names with a comma in quotes",
    ),
    "two corners": (
        rows(*corners((1, 1), (2, 2))),
        "survey.csv:5:of: found zone 'bed' with 2 corners\n"
        "    mend: give it at least three corners, in order round its edge",
    ),
    "three corners, two places": (
        rows(*corners((1, 1), (2, 2), (1, 1))),
        "survey.csv:5:of: found zone 'bed' with 2 corners\n"
        "    mend: give it at least three corners, in order round its edge",
    ),
    "zone crossing itself": (
        rows(*corners((0, 0), (2, 2), (2, 0), (0, 2))),
        "survey.csv:8:of: found zone 'bed' crossing itself at 1.00, 1.00, between rows 5-6 and 7-8\n"
        "    mend: list its corners in order round its edge",
    ),
    "zone touching itself": (
        rows(*corners((0, 0), (2, 0), (1, 1), (2, 2), (0, 2), (1, 1))),
        "survey.csv:10:of: found zone 'bed' crossing itself at 1.00, 1.00, between rows 6-7 and 9-10\n"
        "    mend: list its corners in order round its edge",
    ),
    "zone with a spike": (
        rows(*corners((0, 0), (4, 0), (4, 4), (4, 9), (4, 4), (0, 4))),
        "survey.csv:9:of: found zone 'bed' crossing itself at 4.00, 4.00, between rows 6-7 and 8-9\n"
        "    mend: list its corners in order round its edge",
    ),
    "zone on one line": (
        rows(*corners((0, 0), (2, 2), (4, 4))),
        "survey.csv:5:of: found zone 'bed', whose corners lie on one line\n"
        "    mend: measure corners that enclose some ground",
    ),
    "hole outside": (
        rows(*square("bed", 0, 0, 4), *square("bed", 9, 9, 1, "1")),
        "survey.csv:9:ring: found ring 1 of zone 'bed' outside its outer edge\n"
        "    mend: measure the hole within the zone, or name it as a zone",
    ),
    "hole without outer ring": (
        rows(*square("bed", 0, 0, 4, "1")),
        "survey.csv:5:ring: found zone 'bed' with holes but no outer ring\n"
        "    mend: leave ring empty for the corners of its outer edge",
    ),
    "holes that meet": (
        rows(*square("bed", 0, 0, 9), *square("bed", 1, 1, 3, "1"), *square("bed", 2, 2, 3, "2")),
        "survey.csv:5:ring: found zone 'bed' with rings that meet (Self-intersection[4 2])\n"
        "    mend: keep its rings apart from each other",
    ),
    "ring": (
        rows(",corner,bed,0,0,,,a"),
        "survey.csv:5:ring: found 'a', which is not a ring's number\n"
        "    mend: leave it empty for the outer ring, 1, 2 ... for holes",
    ),
    "zone without ground": (
        rows(*square("terrace", 0, 0, 4)),
        "survey.csv:5:of: found zone 'terrace', which is neither under [zones] nor named like a ground of "
        "the job\n"
        '    mend: add [zones."terrace"] with ground = one of lawn, bed, paving, pond, pool, wall, root '
        "to the job file",
    ),
    "zone like a listed one": (
        rows(*square("hause 2", 0, 10, 4)),
        "survey.csv:5:of: found zone 'hause 2', which is neither under [zones] nor named like a ground of "
        "the job\n"
        "    mend: did you mean zone 'house'?",
    ),
    "zone like a ground": (
        rows(*square("pavin 2", 0, 10, 4)),
        "survey.csv:5:of: found zone 'pavin 2', which is neither under [zones] nor named like a ground of "
        "the job\n"
        "    mend: did you mean 'paving'?",
    ),
    "zone of a kind the job lacks": (
        rows(*square("gravel 2", 0, 10, 4)),
        "survey.csv:5:of: found zone 'gravel 2', which is neither under [zones] nor named like a ground of "
        "the job\n"
        "    mend: add [grounds.gravel] to the job file",
    ),
    "supply deep in a no-dig zone": (
        site(*square("house", 0, 0, 4), supply="2,2", lamp="9,3"),
        "survey.csv:2:x, y: found supply point 'S1' 2.00 m inside no-dig zone 'house'; "
        "rules.border_tolerance_m allows 0.3 m\n"
        "    mend: measure it again, or move it to the zone's border",
    ),
    "supply between two that touch": (
        site(*square("house", 0, 0, 4), *square("wall 2", 4, 0, 4), supply="4,2", lamp="19,3"),
        "survey.csv:2:x, y: found supply point 'S1' 2.00 m inside no-dig zone 'house'; "
        "rules.border_tolerance_m allows 0.3 m\n"
        "    mend: measure it again, or move it to the zone's border",
    ),
    "post deep in a no-dig zone": (
        rows("P,lamp,post,12,12", *square("house", 10, 10, 4)),
        "survey.csv:5:x, y: found post 'P' 2.00 m inside no-dig zone 'house'; rules.border_tolerance_m "
        "allows 0.3 m\n"
        "    mend: measure it again, or move it to the zone's border",
    ),
    "lamp near a pool": (
        rows("L3,lamp,spike,19,12", "L4,lamp,float,21,12", *square("pool", 20, 10, 4)),
        "survey.csv:5:x, y: found lamp 'L3' 1.00 m from 'pool'\n"
        "    mend: keep 3 m off it (grounds.pool.lamp_clear_m; local wiring rules come first), or use a "
        "submersible lamp",
    ),
    "lamp in a pond": (
        rows("L3,lamp,spike,21,12", *square("pond", 20, 10, 4)),
        "survey.csv:5:x, y: found lamp 'L3' 1.00 m inside 'pond', and its type is not submersible\n"
        "    mend: move it out, or set lamps.spike.submersible = true if its maker says so",
    ),
    "supply near a pool": (
        site(*square("pool", 2, 2, 4), supply="1,1", lamp="1,19"),
        "survey.csv:2:x, y: found supply point 'S1' 1.41 m from 'pool'\n"
        "    mend: keep 3.5 m off it (grounds.pool.driver_clear_m; local wiring rules come first)",
    ),
    "no driver of its volts": (
        rows("L3,lamp,flood,5,5", "L4,lamp,flood,6,5"),
        "survey.csv:5:of: found lamp 'L3' of type 'flood' (24 V dc), which no driver fits: 'small' is for "
        "12 V lamps, not 24 V\n"
        "    mend: add a driver for 24 V dc lamps, or correct [lamps.flood]",
    ),
    "no y in a survey with tapes": (
        "point,kind,of,x,from1,dist1\nS1,supply,,0,,\nL1,lamp,spike,4,,\nL2,lamp,spike,8,,\nL3,lamp,spike,9,,\n",
        "survey.csv:1:y: is not in the header\n"
        "    mend: add a column 'y': how far up the plan each point lies, in metres "
        "(empty where tapes or degrees place it)",
    ),
    "x and y all empty": (
        "point,kind,of,x,y\nS1,supply,,,\nL1,lamp,spike,,\nL2,lamp,spike,,\nL3,lamp,spike,,\n",
        "survey.csv:x: is empty in all rows\n"
        "    mend: write how far to the right each point lies, in metres (empty where tapes or degrees place it)\n"
        "survey.csv:y: is empty in all rows\n"
        "    mend: write how far up the plan each point lies, in metres (empty where tapes or degrees place it)",
    ),
    "no y but of those that degrees place": (
        "point,kind,of,x,latitude,longitude\nS1,supply,,,47.376912,8.541234\n"
        + "".join(f"L{k},lamp,spike,{k},,\n" for k in range(1, 5)),
        "survey.csv:1:y: is not in the header, and 4 points (from row 3 on) are placed in no other way\n"
        "    mend: add a column 'y': how far up the plan each point lies, in metres "
        "(empty where tapes or degrees place it)",
    ),
    "no longitude": (
        "point,kind,of,latitude\nS1,supply,,47.1\nL1,lamp,spike,47.2\nL2,lamp,spike,47.3\nL3,lamp,spike,47.4\n",
        "survey.csv:1:longitude: is not in the header\n"
        "    mend: add a column 'longitude': the degrees of each point that has a latitude",
    ),
    "y empty in one row": (
        rows("L3,lamp,spike,5,"),
        "survey.csv:5:y: is empty\n    mend: write the measured metres",
    ),
    "degrees": (
        "point,kind,of,x,y\nS1,supply,,11.575310,48.137154\nL1,lamp,spike,11.575402,48.137201\n",
        "survey.csv:x, y: found 11.575310, 48.137154 and all others close by, which look like degrees\n"
        "    mend: write metres on a grid of the site: x to the right, y up the plan",
    ),
    "degrees among metres": (
        rows("L3,lamp,spike,8.541234,47.376912", "L4,lamp,spike,8.541301,47.376955"),
        "survey.csv:5:x, y: found 8.541234, 47.376912 and 1 more like it among metres, which look like degrees\n"
        "    mend: write degrees in the columns latitude and longitude",
    ),
    "two grids": (
        rows("L3,lamp,spike,2600012.4,1200031.0", "L4,lamp,spike,2600018,1200030", "L5,lamp,spike,2600011,1200027"),
        "survey.csv:5:x, y: found points of two grids, 3 about 0, 0 and 3 about 2600011, 1200027\n"
        "    mend: write the metres of one grid for all of them",
    ),
    "millimetres": (
        "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,4210,3300\nL2,lamp,spike,8100,3350\n",
        "survey.csv:x, y: found points spread over 8100 x 3350, which look like millimetres\n"
        "    mend: write metres, such as 12.345 for 12345 mm",
    ),
    "one point far off": (
        rows("L3,lamp,spike,12345,5", "L4,lamp,spike,1,5", "L5,lamp,spike,2,5"),
        "survey.csv:5:x, y: found 12345, 5, 12.3 km from the other points\n    mend: correct x and y, in metres",
    ),
    "latitude and longitude swapped in one row": (
        IN_DEGREES + "L4,lamp,spike,8.541310,47.376950\n",
        "survey.csv:6:latitude, longitude: found 8.541310, 47.376950, more than 1,000 km from the other points\n"
        "    mend: are latitude and longitude swapped? Correct them, in degrees",
    ),
    "latitude and longitude swapped in several rows": (
        IN_DEGREES + "L4,lamp,spike,8.541310,47.376950\nL5,lamp,spike,8.541320,47.376940\n",
        "survey.csv:6:latitude, longitude: found 8.541310, 47.376950, more than 1,000 km from the other points\n"
        "    mend: are latitude and longitude swapped? Correct them, in degrees\n"
        "survey.csv:7:latitude, longitude: found 8.541320, 47.376940, more than 1,000 km from the other points\n"
        "    mend: are latitude and longitude swapped? Correct them, in degrees",
    ),
    "cells that the kind does not use": (
        rows("L3,lamp,spike,5,5.5,,,1,300", "P1,peg,,6,6.5,,front", "S2,supply,,7,7.5,,,,900", ",corner,bed,0,0,,a"),
        "survey.csv:5:ring: found '1' in a row of kind lamp, which has no ring\n"
        "    mend: leave it empty, or correct the kind\n"
        "survey.csv:5:stem_mm: found '300' in a row of kind lamp, which has no stem_mm\n"
        "    mend: leave it empty, or correct the kind\n"
        "survey.csv:6:group: found 'front' in a row of kind peg, which has no group\n"
        "    mend: leave it empty, or correct the kind\n"
        "survey.csv:7:stem_mm: found '900' in a row of kind supply, which has no stem_mm\n"
        "    mend: leave it empty, or correct the kind\n"
        "survey.csv:8:group: found 'a' in a row of kind corner, which has no group\n"
        "    mend: leave it empty, or correct the kind",
    ),
    "shifted by a decimal comma": (
        SHIFTED + "L6,lamp,spike,9,-12,5,back,\nL7,lamp,spike,9,5,-12.5,back,\n",
        f"survey.csv:6:stem_mm: found 'back' in a row of kind lamp, which has no stem_mm\n    mend: {UNSHIFT}\n"
        f"survey.csv:7:stem_mm: found 'back' in a row of kind lamp, which has no stem_mm\n    mend: {UNSHIFT}",
    ),
    "shifted into the group": (
        SHIFTED + "L6,lamp,spike,9,-12,5\n",
        f"survey.csv:6:group: found '5' behind a whole number, where other rows have decimals\n    mend: {UNSHIFT}; "
        "if it is a group, give it another name, such as 'group 5'",
    ),
    "shifted into side and of": (
        "point,kind,x,y,of,side\nS1,supply,0.5,1,25,\nL1,lamp,3.5,2.5,spike,\nP1,peg,1,1,,7\n",
        "survey.csv:2:of: found '25' in a row of kind supply, which has no of\n"
        f"    mend: {UNSHIFT}\n"
        "survey.csv:4:side: found '7' in a row of kind peg, which has no side\n"
        "    mend: leave it empty, or correct the kind",
    ),
    "farther off than any grid": (
        rows("L3,lamp,spike,1e308,5", f"L4,lamp,spike,5,1{'0' * 300}", "L5,lamp,spike,12345,5"),
        "survey.csv:5:x: found '1e308', which is farther off than any grid reaches\n"
        "    mend: write the measured metres\n"
        "survey.csv:6:y: found '1e+300', which is farther off than any grid reaches\n"
        "    mend: write the measured metres\n"
        "survey.csv:7:x, y: found 12345, 5, 12.3 km from the other points\n"
        "    mend: correct x and y, in metres",
    ),
    "all together farther off than any grid": (
        "point,kind,of,x,y\nS1,supply,,100000001.25,7\nL1,lamp,spike,100000004,9\nL2,lamp,spike,99999999,8\n",
        "survey.csv:2:x: found '100000001.25', which is farther off than any grid reaches\n"
        "    mend: write the measured metres\n"
        "survey.csv:3:x: found '100000004', which is farther off than any grid reaches\n"
        "    mend: write the measured metres",
    ),
    "sleeve of one point": (
        rows(",sleeve,duct,1,1"),
        "survey.csv:5:of: found sleeve 'duct' with one point\n    mend: measure both of its ends",
    ),
    "sleeve not in the job": (
        rows(",sleeve,dukt,1,1", ",sleeve,dukt,5,1", ",sleeve,old pipe,1,2", ",sleeve,old pipe,5,2"),
        "survey.csv:5:of: found sleeve 'dukt', which is not under [sleeves] of the job\n"
        "    mend: did you mean 'duct'?\n"
        "survey.csv:7:of: found sleeve 'old pipe', which is not under [sleeves] of the job\n"
        '    mend: add [sleeves."old pipe"] with capacity = 1, or its bore_mm',
    ),
    "sleeve that comes back": (
        rows(",sleeve,duct,1,1", ",sleeve,duct,5,1", ",sleeve,duct,1,1"),
        "survey.csv:7:of: found sleeve 'duct' ending where it begins\n    mend: measure both of its ends",
    ),
    "mains of one place": (
        rows(",mains,feed,1,1", ",mains,feed,1,1"),
        "survey.csv:5:of: found mains line 'feed' with one point\n    mend: measure both of its ends",
    ),
    "stems": (
        rows("T1,tree,,9,9", "T2,tree,,9,20,,,,0", "T3,tree,,9,30,,,,thick", "T4,tree,,9,40,,,,-3"),
        "survey.csv:5:stem_mm: is empty\n"
        "    mend: write the stem's diameter at breast height, in mm\n"
        "survey.csv:6:stem_mm: found 0, which is not above 0\n"
        "    mend: write the stem's diameter at breast height, in mm\n"
        "survey.csv:7:stem_mm: found 'thick', which is not a number\n"
        "    mend: write a number\n"
        "survey.csv:8:stem_mm: found -3, which is not above 0\n"
        "    mend: write the stem's diameter at breast height, in mm",
    ),
    "height missing": (
        HEADER + "S1,supply,,0,0,1\nL1,lamp,spike,4,3,\nP,peg,,1,1\n",
        "survey.csv:3:z: is empty for this lamp, while row 2 has a height\n"
        "    mend: measure it, or leave z empty everywhere",
    ),
    "two heights": (
        HEADER + "S1,supply,,0,0,1\nL1,lamp,spike,4,3,1\nP,peg,,4,3,2\n",
        "survey.csv:4:z: found 2, while row 3 has 1 at the same x and y\n    mend: write one height for one place",
    ),
    "columns missing": (
        "point,kinds,off,x\nS1,supply,,1\n",
        "survey.csv:1:kind: is not in the header\n"
        "    mend: rename the column 'kinds' to 'kind'\n"
        "survey.csv:1:of: is not in the header\n"
        "    mend: rename the column 'off' to 'of'\n"
        "survey.csv:1:y: is not in the header\n"
        "    mend: add a column 'y' (empty where a kind needs none)",
    ),
    "feet": (
        "point,kind,of,x_ft,Y (ft)\nS1,supply,,1,1\n",
        "survey.csv:1:x: is not in the header, which has 'x_ft'\n"
        "    mend: the survey is in metres: write metres (1 ft = 0.3048 m), and rename the column to 'x'\n"
        "survey.csv:1:y: is not in the header, which has 'Y (ft)'\n"
        "    mend: the survey is in metres: write metres (1 ft = 0.3048 m), and rename the column to 'y'",
    ),
    "heads with other units and words": (
        "point,kind,of,X [mm],y coordinate\nS1,supply,,1,1\n",
        "survey.csv:1:x: is not in the header, which has 'X [mm]'\n"
        "    mend: the survey is in metres: write metres, and rename the column to 'x'\n"
        "survey.csv:1:y: is not in the header, which has 'y coordinate'\n"
        "    mend: rename the column 'y coordinate' to 'y' if it holds metres",
    ),
    "column twice": (
        "point,kind,of,x,y,X\nS1,supply,,1,1,1\n",
        "survey.csv:1:x: stands twice in the header\n    mend: keep one of the two columns",
    ),
    "all at once": (
        rows("L1,lamp,spyke,4,nan", "T,tree,,1,1", "X,foo,,1,1"),
        "survey.csv:5:of: found 'spyke', which is no lamp type of the job\n"
        "    mend: did you mean 'spike'?\n"
        "survey.csv:5:point: found 'L1', the name that the lamp in row 3 has\n"
        "    mend: give each point a name of its own\n"
        "survey.csv:5:y: found 'nan', which is not a finite number\n"
        "    mend: write the measured number\n"
        "survey.csv:6:stem_mm: is empty\n"
        "    mend: write the stem's diameter at breast height, in mm\n"
        "survey.csv:7:kind: found 'foo', which is no kind of point\n"
        "    mend: write one of lamp, supply, corner, sleeve, tree, peg, mains",
    ),
}


@pytest.mark.parametrize(("text", "said"), BAD.values(), ids=BAD)
def test_says_what_is_wrong_and_what_mends_it(text: str | bytes, said: str) -> None:
    assert complaint(text) == said


def test_good_survey_has_no_problems() -> None:
    assert complaint(SURVEY) == ""


def test_shows_what_it_can_without_the_job() -> None:
    text = rows("L1,lamp,spyke,4,nan", "X,foo,,1,1")
    said = "\n".join(
        str(problem) for problem in sorted(problems_without_job(text.encode(), "survey.csv", Measuring(), Dxf()))
    )
    assert said == (
        "survey.csv:5:point: found 'L1', the name that the lamp in row 3 has\n"
        "    mend: give each point a name of its own\n"
        "survey.csv:5:y: found 'nan', which is not a finite number\n"
        "    mend: write the measured number\n"
        "survey.csv:6:kind: found 'foo', which is no kind of point\n"
        "    mend: write one of lamp, supply, corner, sleeve, tree, peg, mains"
    )


def test_a_strip_that_tapes_err_by_is_no_fault() -> None:
    inside = site(*square("house", 0, 0, 4), supply="2,0.3", lamp="9,3")
    assert complaint(inside) == ""
    assert "0.31 m inside no-dig zone 'house'" in complaint(inside.replace("2,0.3", "2,0.31"))


def test_a_supply_needs_ground_that_may_be_dug_where_the_base_may_not() -> None:
    """A yard without zones closed, lawn zones opened: the supply is 0.5 m from the nearest of them."""
    job_text = JOB.replace('title = "Small garden"', 'title = "Yard"\nbase_ground = "wall"').replace(
        "[zones]", 'root = { per_m = 9 }\n[zones]'
    )  # fmt: skip
    text = site(*square("lawn", 0, 0, 20), supply="-0.5,3", lamp="9,3")
    assert complaint(text, job_text) == (
        "survey.csv:2:x, y: found supply point 'S1' 0.50 m inside ground 'wall', which may not be dug; "
        "rules.border_tolerance_m allows 0.3 m\n"
        "    mend: measure it again, or move it to the zone's border"
    )
    assert complaint(text.replace("-0.5,3", "-0.2,3"), job_text) == ""


def test_trees_need_a_root_ground() -> None:
    job_text = JOB.replace('title = "Small garden"', 'title = "Yard"\nbase_ground = "wall"')
    text = site(*square("lawn", 0, 0, 20), "T1,tree,,9,9,,,,300", supply="0,3", lamp="9,3")
    assert complaint(text, job_text) == (
        "survey.csv:8:kind: found tree 'T1', and the job has no root ground\n"
        "    mend: add [grounds.root] with its per_m to the job file"
    )


def test_a_driver_that_dims_by_volts_is_refused_for_lamps_with_a_converter() -> None:
    assert complaint(SURVEY, JOB.replace("limit_a = 6", "dims_by_voltage = true")) == (
        "survey.csv:3:of: found lamp 'L1' of type 'spike' (12 V dc), which no driver fits: 'small' dims by lowering "
        "its volts, which a lamp with its own converter does not follow\n"
        "    mend: add a driver for 12 V dc lamps, or correct [lamps.spike]"
    )


def test_problems_come_sorted_by_place() -> None:
    text = rows(",lamp,x,1,1", "X,foo,,1,1", "L1,lamp,spike,2,2")
    with pytest.raises(BadInput) as caught:
        read_survey(text.encode(), "survey.csv", job())
    assert [problem.line for problem in caught.value.problems] == [5, 5, 6, 7]
