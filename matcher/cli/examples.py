"""Examples for the helps, by command: what a collector would type, as it stands."""

from __future__ import annotations

from collections.abc import Mapping

import typer

from matcher.cli.groups import PlainCommand

EXAMPLES: Mapping[str, tuple[str, ...]] = {
    "platekin": (
        "platekin enrol cards.xlsx -c my-cards",
        "platekin use my-cards",
        "platekin identify photo.jpg",
    ),
    "platekin identify": (
        "platekin identify photo.jpg -c my-cards",
        "platekin identify scans/ --picture evidence",
        "platekin identify photo.jpg --corners '102,80 910,95 890,1500 95,1490'",
        "platekin identify *.jpg --format csv > answers.csv",
    ),
    "platekin serve": ("platekin serve -c my-cards", "platekin serve --port 8800"),
    "platekin lot": (
        "platekin lot box/ -c my-cards",
        "platekin lot show L00001",
        "platekin lot confirm L00001 --above 0.9",
    ),
    "platekin lot run": ("platekin lot box/ --check", "platekin lot box/ --sides order", "platekin lot box/ --retry"),
    "platekin lot list": ("platekin lot list",),
    "platekin lot show": ("platekin lot show L00001", "platekin lot show L00001 --format json"),
    "platekin lot save": ("platekin lot save L00001 box.xlsx", "platekin lot save L00001 box.csv"),
    "platekin lot sheet": ("platekin lot sheet L00001 box.pdf",),
    "platekin lot faces": ("platekin lot faces L00001 fronts/",),
    "platekin lot sidecars": ("platekin lot sidecars L00001",),
    "platekin lot retry": ("platekin lot retry L00001", "platekin lot retry L00001 3 7"),
    "platekin lot cancel": ("platekin lot cancel L00001",),
    "platekin lot forget": ("platekin lot forget L00001",),
    "platekin lot queue": ("platekin lot queue L00001",),
    "platekin lot accept": (
        "platekin lot accept L00001 2.1 --subject 'Oscar Dunnelby' --caption 'Oscar Dunnelby'",
        "platekin lot accept L00001 2.1 --caption 'Oskar Dunelby' --preview",
    ),
    "platekin lot choose": ("platekin lot choose L00001 3.1", "platekin lot choose L00001 3.1 V00017 --alone"),
    "platekin lot reject": ("platekin lot reject L00001 4.2",),
    "platekin lot skip": ("platekin lot skip L00001 4.2",),
    "platekin lot confirm": ("platekin lot confirm L00001 --preview", "platekin lot confirm L00001 --above 0.95"),
    "platekin lot propose": ("platekin lot propose L00001",),
    "platekin lot undo": ("platekin lot undo L00001", "platekin lot undo L00001 --all"),
    "platekin listing": (
        "platekin listing --text listing.txt photo.jpg -c my-cards",
        "platekin listing --table listings.xlsx --output results.jsonl",
    ),
    "platekin enrol": (
        "platekin enrol cards.csv -c my-cards",
        "platekin enrol theirs.xlsx --map sitter=subject --map file=image --preview",
        "platekin enrol theirs.csv --images their-scans --renumber",
        "platekin enrol my-cards-2026.zip -c elsewhere",
    ),
    "platekin records list": ("platekin records list --subject 'Oscar Dunnelby'", "platekin records list --pose P0001"),
    "platekin records show": ("platekin records show V00001",),
    "platekin records search": ("platekin records search dunelbi",),
    "platekin records edit": (
        "platekin records edit V00002 --set caption='Oskar Dunelby'",
        "platekin records edit V00001 V00002 --set series=S1 --set year=1887",
    ),
    "platekin records merge": ("platekin records merge V00003 V00001",),
    "platekin records split": ("platekin records split V00001 V00009 --reference 12 --set caption='O. Dunnelby'",),
    "platekin records remove": ("platekin records remove V00003",),
    "platekin records outline": (
        "platekin records outline V00001 --turn 180",
        "platekin records outline V00001 --reference 12 --corners '102,80 910,95 890,1500 95,1490'",
    ),
    "platekin finds propose": (
        "platekin finds propose find.jpg --source 'album 3' --seen-on 1987-05",
        "platekin finds propose find.jpg --as new_caption",
    ),
    "platekin finds list": ("platekin finds list", "platekin finds list --all"),
    "platekin finds show": ("platekin finds show F00001",),
    "platekin finds accept": ("platekin finds accept F00001 --caption 'Oscar Dunnelby'",),
    "platekin finds merge": ("platekin finds merge F00001 V00001",),
    "platekin finds reject": ("platekin finds reject F00001",),
    "platekin copies see": ("platekin copies see photo.jpg --source 'fair, row 4' --seen-on 1987-05-23",),
    "platekin copies list": ("platekin copies list --open",),
    "platekin copies confirm": (
        "platekin copies confirm sighting 12",
        "platekin copies confirm sighting 12 --copy mine",
        "platekin copies confirm --above 0.95",
    ),
    "platekin copies unlink": ("platekin copies unlink sighting 12",),
    "platekin poses merge": ("platekin poses merge P0007 P0001",),
    "platekin poses split": ("platekin poses split P0001 P0009 --record V00003",),
    "platekin poses map": ("platekin poses map P0001",),
    "platekin subjects list": ("platekin subjects list",),
    "platekin subjects merge": ("platekin subjects merge 'Oskar Dunelby' 'Oscar Dunnelby'",),
    "platekin subjects spelling": ("platekin subjects spelling 'Oscar Dunnelby' 'O. Dunelby'",),
    "platekin formats list": ("platekin formats list",),
    "platekin formats set": (
        "platekin formats set cabinet --record V00007", "platekin formats set 108x165 --series 'Large portraits'",
    ),
    "platekin series list": ("platekin series list",),
    "platekin series set": ("platekin series set S1 --title 'Small rowing cards' --years 1884-1889",),
    "platekin scarcity": ("platekin scarcity", "platekin scarcity --plot scarcity.svg"),
    "platekin gaps": ("platekin gaps", "platekin gaps --series S1 --limit 50"),
    "platekin export": ("platekin export my-cards-2026", "platekin export my-cards.zip", "platekin export cards.csv"),
    "platekin backup": ("platekin backup copy-of-my-cards",),
    "platekin tokens make": ("platekin tokens make Ada --scope decide",),
    "platekin tokens list": ("platekin tokens list",),
    "platekin tokens revoke": ("platekin tokens revoke Ada",),
    "platekin check": ("platekin check -c my-cards", "platekin check --quick"),
    "platekin decisions list": ("platekin decisions list --about V00001",),
    "platekin decisions show": ("platekin decisions show 193",),
    "platekin decisions undo": ("platekin decisions undo", "platekin decisions undo 193 --batch"),
    "platekin decisions redo": ("platekin decisions redo",),
    "platekin decisions export": ("platekin decisions export log.jsonl",),
    "platekin decisions replay": ("platekin decisions replay log.jsonl -c elsewhere --images scans",),
    "platekin use": ("platekin use my-cards", "platekin use --forget"),
    "platekin rehearse": ("platekin rehearse", "platekin rehearse --forget"),
    "platekin demo": ("platekin demo", "platekin demo --output demo-output"),
}  # fmt: skip


def shown(command: str) -> str | None:
    """The epilog of a command's help; None where it has no examples. Each is a paragraph: a help joins its lines."""
    given = EXAMPLES.get(command)
    return "Examples:\n\n" + "\n\n".join(given) if given else None


def add_examples(group: typer.Typer, name: str) -> None:
    """Give each command of a group its examples, and a help without needless words."""
    for command in group.registered_commands:
        command.cls = PlainCommand
        command.epilog = shown(f"platekin {name} {command.name}")
    if group.info.epilog is None or not isinstance(group.info.epilog, str):
        group.info.epilog = shown(f"platekin {name}")
