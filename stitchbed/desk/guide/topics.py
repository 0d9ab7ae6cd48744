"""I am the guide: a few short pages on how to scan a large sheet, what is said of pieces, and what to do when it fails.

In: nothing. Out: topics as frozen values; the same words go to the shell and to the desk.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from stitchbed.core.errors import BadSettings

WIDTH = 78  # columns of a shell that most people have


@dataclass(frozen=True)
class Part:
    """heading : of the part. words : paragraphs. points : a list after them. picture : its name, "" for none."""

    heading: str
    words: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    picture: str = ""


@dataclass(frozen=True)
class Topic:
    """name : to ask for it by. title, about : of the page, in a line each."""

    name: str
    title: str
    about: str
    parts: tuple[Part, ...]


SCANNING = Topic(
    "scanning",
    "How to scan a sheet larger than the bed",
    "where to lay it, how far apart, how often, at which dpi",
    (
        Part(
            "Overlap",
            (
                "Scan the sheet in rows. Neighbors should share a fifth of their picture, 30 mm or more, with some"
                " drawing in what they share: bare paper tells nothing about where it lies.",
                "`stitchbed plan --art 420x594mm --bed 216x297mm` says how many scans it takes, and draws a page that"
                " shows where to lay the sheet for each.",
            ),
            picture="overlap",
        ),
        Part(
            "Turn one of them",
            (
                "Where the lid or the frame is in the way, turn the sheet and scan that end upside down: pieces may be"
                " turned by half or by a quarter. One piece turned by a quarter even helps, as it shows how much longer"
                " the scanner draws one direction than the other.",
            ),
            picture="turned",
        ),
        Part(
            "The same for all",
            ("What differs from piece to piece has to be guessed afterwards. So:",),
            (
                "one resolution: 300 dpi is the least for print, 600 for fine lines; more adds dust and paper pulp",
                "automatic exposure, color and sharpening off; one color profile for all",
                "TIFF, not JPEG; 16 bits where the scanner has them",
                "wipe the glass: a grain on it is in every piece",
            ),
        ),
        Part(
            "Flat on the glass",
            (
                "Along the frame the sheet lifts off the glass: there it is darker, softer and a little shifted."
                " Lay so that each strip that lifts in one piece lies flat in its neighbor, and is taken from there."
                " Do not press wet, pastel, flaking or valuable work; when in doubt, ask a conservator.",
            ),
            picture="lifted",
        ),
    ),
)
VERDICTS = Topic(
    "verdicts",
    "What is said of the pieces",
    "good, can be used, scan again; and the two figures of a canvas",
    (
        Part(
            "Three verdicts",
            ("Each piece is looked at as soon as it is there, alone and beside its neighbors.",),
            (
                "good: nothing was found",
                "can be used: something is not perfect, and the join deals with it; it is said what and where",
                "scan again: something is lost that no join brings back: blur, cut off white or black, a scan that"
                " broke off, a strip that lifts where no other piece sees it flat",
            ),
        ),
        Part(
            "Marks on the small pictures",
            ("A tinted strip or field is where the fault lies, as far as it has a place: a lifted side, a soft part.",),
            picture="marks",
        ),
        Part(
            "How true the canvas is",
            (
                "Two figures are told after a join. How far neighbors agree: half a pixel is the aim, one pixel shows"
                " in thin lines. And how far the whole may be from the truth at 95 % of its places: an estimate of the"
                " error, not of what agreed; once as far as the scanner itself is true, and once with what it may"
                " stretch or skew. Notes stand beside them where something is doubtful: look there first.",
            ),
        ),
    ),
)
LOST = Topic(
    "lost",
    "When a piece finds no place",
    "why it happens, and what to do",
    (
        Part(
            "Why",
            (
                "A link between two pieces is believed by all they would share: drawing that agrees speaks for it,"
                " drawing in one only against it. Too little overlap, bare paper in it, a repeated motif, a mirrored"
                " file or another dpi leave a piece without a place. It is named, never guessed.",
            ),
            picture="lost",
        ),
        Part(
            "What to do",
            (),
            (
                "scan one piece more that bridges the gap: it should show a fifth of each side",
                "look whether the piece is mirrored, or of another dpi: what `check` says of it tells",
                "put it where it belongs, at Placing: about there is enough, pictures are compared round that place",
                "or mark a spot that it and another piece both show, and place again",
                "leave it out, at Pieces, if it shows nothing others do not",
                "go on without it: at Canvas, allow a missing piece; the place stays empty and is told",
            ),
        ),
    ),
)
DESK = Topic(
    "desk",
    "The desk",
    "a job in a page of your browser: where things lie, what the keys do",
    (
        Part(
            "A job is a folder",
            (
                "`stitchbed desk FOLDER` opens a job. All choices stand in its job.toml, and every act on the desk is a"
                " change of that file, with undo and redo over its whole history (in .desk/history). Pieces you drop"
                " are copied into pieces/, byte for byte; a folder you choose is only read. `stitchbed run` with the"
                " same job.toml makes the same files, and a job.toml written by hand opens on the desk.",
                "Nothing leaves this machine: the page comes from it and talks to it alone.",
            ),
        ),
        Part(
            "The line of stops",
            (
                "Filled: done. With a dot: needs a look. Hollow: not begun, or something before it changed since; the"
                " old result can still be seen. Go to any stop at any time.",
            ),
            picture="line",
        ),
        Part(
            "Keys over a picture",
            (),
            (
                "arrows move, plus and minus zoom, 0 shows all, 1 shows a pixel for each dot of the screen",
                "R turns the view by a quarter, shift R back; the picture itself stays as it is",
                "a piece moved by hand: arrows move it by a millimeter, comma and full stop turn it, with shift by a"
                " tenth of that; Enter says that it lies there, Escape that it stays as it was",
                "two pieces side by side: arrows move both pictures under the crosses, with shift by a tenth of a dot;"
                " a click puts the spot seen magnified under the cross",
                "space, held: the other of two pieces you compare",
                "Ctrl Z takes the last act back, Ctrl Y does it again; Escape leaves a close look",
            ),
        ),
    ),
)
FILES = Topic(
    "files",
    "What files may come in",
    "what is kept of each kind, and what is lost",
    (
        Part(
            "Kept as it is",
            (),
            (
                "TIFF with up to 16 bits or floating point 0..1, every page of it; PNG",
                "PDF as scanner software writes it: the stored picture, not resampled, with the dpi of its page; the"
                " third page is named scan.pdf:3",
            ),
        ),
        Part(
            "Kept, but for what was lost before",
            ("Such files are no masters; scan to TIFF where you can. `stitchbed check` tells what each one lost.",),
            (
                "JPEG and WebP: lossy coding, half of the color's resolution, the camera's tone curve; 8 bits",
                "HEIC, AVIF, JPEG XL: the same, with up to 16 bits; depth and gain maps are passed over",
                "raw photographs: noise and lens faults stay; they need pip install 'stitchbed[raw]'",
            ),
        ),
        Part(
            "Refused, with what to do",
            (),
            (
                "Lab and CMYK: set the scanner software to RGB",
                "a PDF page with writing or lines over its picture: name a dpi to draw it at, scan.pdf:3@600",
                "high dynamic range, floating point beyond 0..1",
            ),
        ),
    ),
)
TOPICS = {topic.name: topic for topic in (SCANNING, VERDICTS, LOST, FILES, DESK)}


def topic_of(name: str) -> Topic:
    """The topic of a name.

    Raises
    ------
    BadSettings : there is none.
    """
    if name not in TOPICS:
        raise BadSettings(f"no page on {name[:40]!r}", expected=", ".join(TOPICS), attempt="one of those")
    return TOPICS[name]


def in_the_shell(topic: Topic) -> str:
    """The page as text; its pictures are left to the desk."""
    lines = [topic.title, "=" * len(topic.title)]
    for part in topic.parts:
        lines += ["", part.heading, "-" * len(part.heading)]
        lines += [textwrap.fill(words, WIDTH) for words in part.words]
        lines += [textwrap.fill(words, WIDTH, initial_indent="- ", subsequent_indent="  ") for words in part.points]
    return "\n".join(lines)


def all_topics() -> str:
    """What pages there are, a line each."""
    longest = max(map(len, TOPICS))
    return "\n".join(f"{topic.name.ljust(longest)}  {topic.title}: {topic.about}" for topic in TOPICS.values())
