"""`wakeboard map`: where something is on the board."""

from __future__ import annotations

from pathlib import Path

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command


@wakeboard_command(
    examples=["wakeboard map board.toml RADIO_RST", "wakeboard map board.toml +3V3 --part U2 -o map.svg"]
)
@click.argument("board")
@click.argument("name", required=False)
@click.option("--part", metavar="PART", help="A part to frame.")
@click.option("-o", "--output", metavar="FILE", default="map.svg", help="Where to write the SVG.")
@common_options
def command(common: Common, board: str, name: str | None, part: str | None, output: str) -> int:
    """Draw both sides of the board: the pads of a net, the point to probe, a part, marked by shape and word.

    NAME is a rail, line, point, net or pin. The places come from the drawing that `wakeboard new` read.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.drawings.places.maps import figure
    from wakeboard.harness.drawings.places.places import places_beside
    from wakeboard.results.boardmap import drawn
    from wakeboard.results.export import whole_file

    design, places = load_board(board), places_beside(board)
    if places is None or not places.map.pads:
        raise click.UsageError(f"no places are known beside {board}: wakeboard new DIR --netlist FILE reads them")
    if part and part not in design.parts:
        from wakeboard.harness.describe.problems import nearest, one_of

        raise click.UsageError(f"there is no part {part!r}; {nearest(part, design.parts) or one_of(design.parts, 20)}")
    if name:
        design.net_of(name)
    found = figure(design, places, name, part or "") if name else (design.name, drawn(places.map, part=part or ""))
    if found is None:
        raise click.UsageError(f"{name} is on no pad of the drawing")
    caption, svg = found
    with whole_file(Path(output)) as draft:
        draft.write_text(str(svg), encoding="utf-8", newline="\n")
    common.say(caption)
    common.say(f"wrote {output}")
    common.emit({"map": output, "caption": caption})
    return Exit.GOOD
