"""The sets that eval knows: what they are, where they come from (by name), and how their folder must look.

Facts about sets that aren't at hand come from their papers and from mirdata and are given from memory where
datasets.md says so. Any other folder in the plain layout can be scored too.
"""

from __future__ import annotations

from dataclasses import dataclass

from eval.sets.annotations import PLAIN_BEATS, TIMES_ONLY, BeatRows


@dataclass(frozen=True, slots=True)
class PlainLayout:
    """`audio/<id>.*`, `beats/<id>.beats`, and where there are drum annotations `drums/<id>.txt`."""


@dataclass(frozen=True, slots=True)
class FilesLayout:
    """Annotation files as the set gives them, and a folder of recordings that the user owns.

    beats: pattern of the annotation files below the set's folder; id_pattern: regular expression whose first
    group is the id, matched against the file's path below the folder; audio: folder of the recordings, which
    are named after the id; format: "rows", "bars" (JSON with beats in parts) or "labels" (b and db rows).
    """

    beats: str
    id_pattern: str
    audio: str = "audio"
    format: str = "rows"
    rows: BeatRows = PLAIN_BEATS


@dataclass(frozen=True, slots=True)
class MirdataLayout:
    """The folder that mirdata expects.

    audio and beats name the track's attributes. rows, where beats are rows of text, is how they are checked line by
    line before mirdata reads them; all_rows: each of them must come out as a beat. owned_audio: everyone has their
    own copy, so the recordings have no checksum. drums names the attribute with drum hits, where there is one.
    version is mirdata's name for the version.
    """

    audio: str = "audio_path"
    beats: str | None = "beats_path"
    rows: BeatRows | None = None
    all_rows: bool = True
    drums: str | None = None
    version: str = "default"
    multitracks: bool = False
    owned_audio: bool = False


Layout = PlainLayout | FilesLayout | MirdataLayout


@dataclass(frozen=True, slots=True)
class SetInfo:
    """One set: its name on the command line, kind, licence, where to get it (by name), and layout.

    genre_pattern finds the genre in a track's id; drums tells whether there are any where no track says so.
    """

    name: str
    kind: str
    licence: str
    source: str
    layout: Layout
    genre_pattern: str | None = None
    drums: bool | None = None


_RWC_ROWS = BeatRows(separator="\t", columns=(3,), count_column=None, scale=0.01)
_COMMA_ROWS = BeatRows(separator=",")
_NC = "CC BY-NC-SA 4.0"

_ALL = (
    SetInfo("band", "real", _NC, "MDB Drums on MedleyDB", PlainLayout(), None, True),
    SetInfo("band_drumless", "real", _NC, "MDB Drums on MedleyDB", PlainLayout(), None, False),
    SetInfo(
        "metal",
        "real",
        "CC BY-SA 3.0",
        "Debian package fretsonfire-songs-muldjord",
        PlainLayout(),
        None,
        True,
    ),
    SetInfo(
        "muldjord",
        "real",
        "CC BY-SA 3.0",
        "Debian package fretsonfire-songs-muldjord (`python -m eval songs`)",
        PlainLayout(),
        None,
        True,
    ),
    SetInfo("studies", "real", _NC, "ISMIR 2021 tutorial on beat and downbeat estimation", PlainLayout()),
    SetInfo(
        "groove_render",
        "rendered",
        "CC BY 4.0",
        "Groove MIDI Dataset, rendered",
        PlainLayout(),
        r"session_?\w*?_\d+_([a-z]+)",
        True,
    ),
    SetInfo(
        "arranger_render",
        "rendered",
        "patterns GPL-2, sound font MIT",
        "Debian packages mma and fluid-soundfont-gm",
        PlainLayout(),
        r"^([a-z0-9-]+?)(?:_drift)?$",
        True,
    ),
    SetInfo(
        "synthetic",
        "rendered",
        "MIT, made by `python -m eval synthesise`",
        "this project",
        PlainLayout(),
        r"^([a-z]+)",
        True,
    ),
    SetInfo(
        "unheard",
        "rendered",
        "MIT, instruments: MODEL_CARD.md; made by `python -m eval reader unheard`",
        "this project",
        PlainLayout(),
        r"^([a-z-]+)_",
    ),
    SetInfo(
        "ballroom",
        "real",
        _NC,
        "ISMIR 2004 tempo contest audio; CPJKU BallroomAnnotations",
        MirdataLayout(rows=BeatRows()),
    ),
    SetInfo(
        "beatles",
        "real",
        "unknown",
        "Isophonics annotations; your own recordings",
        MirdataLayout(rows=BeatRows(columns=(1, 2, 3), count_column=None), owned_audio=True),
    ),
    SetInfo("brid", "real", _NC, "BRID, Brazilian Rhythmic Instruments Dataset", MirdataLayout(rows=BeatRows())),
    SetInfo(
        "candombe",
        "real",
        "CC BY 4.0",
        "Candombe recordings, Zenodo",
        MirdataLayout(rows=BeatRows(separator=",", count_part="fraction")),
    ),
    SetInfo(
        "compmusic_carnatic_rhythm",
        "real",
        _NC,
        "CompMusic Carnatic Rhythm, Zenodo, on request",
        MirdataLayout(rows=_COMMA_ROWS),
    ),
    SetInfo(
        "compmusic_hindustani_rhythm",
        "real",
        _NC,
        "CompMusic Hindustani Rhythm, Zenodo, on request",
        MirdataLayout(rows=_COMMA_ROWS),
    ),
    SetInfo(
        "cuidado",
        "real",
        _NC,
        "Cuidado beat annotations; your own recordings",
        MirdataLayout(rows=BeatRows(columns=(1, 2, 3), count_column=None), owned_audio=True),
    ),
    SetInfo(
        "groove_midi",
        "rendered",
        "CC BY 4.0",
        "Groove MIDI Dataset v1.0.0, Google LLC",
        MirdataLayout(beats=None, drums="drum_events"),
        None,
        True,
    ),
    SetInfo(
        "gtzan_genre",
        "real",
        "unknown",
        "GTZAN genre audio; GTZAN tempo and beat annotations",
        MirdataLayout(rows=BeatRows()),
    ),
    SetInfo(
        "guitarset",
        "real",
        "MIT",
        "GuitarSet, Zenodo",
        MirdataLayout(audio="audio_mic_path", beats=None),
        None,
        False,
    ),
    SetInfo(
        "hainsworth",
        "real",
        _NC,
        "Hainsworth beat annotations; audio on request",
        MirdataLayout(rows=BeatRows()),
    ),
    SetInfo(
        "jtd",
        "real",
        "MIT (annotations)",
        "Jazz Trio Database, Zenodo",
        MirdataLayout(
            rows=BeatRows(separator=",", columns=(6,), time_column=1, count_column=5, header_rows=1),
            multitracks=True,
            owned_audio=True,
        ),
        None,
        True,
    ),
    SetInfo(
        "rwc_classical",
        "real",
        "RWC licence, on request",
        "RWC Music Database, Classical",
        MirdataLayout(rows=_RWC_ROWS, all_rows=False, owned_audio=True),
    ),
    SetInfo(
        "rwc_jazz",
        "real",
        "RWC licence, on request",
        "RWC Music Database, Jazz",
        MirdataLayout(rows=_RWC_ROWS, all_rows=False, owned_audio=True),
    ),
    SetInfo(
        "rwc_popular",
        "real",
        "RWC licence, on request",
        "RWC Music Database, Popular",
        MirdataLayout(rows=_RWC_ROWS, all_rows=False, owned_audio=True),
    ),
    # mirdata 1.0.0 lists the index of this set under the version "sample" alone.
    SetInfo(
        "simac",
        "real",
        _NC,
        "SIMAC beat annotations; your own recordings",
        MirdataLayout(rows=BeatRows(columns=(1, 2), count_column=None), owned_audio=True, version="sample"),
    ),
    SetInfo(
        "harmonix",
        "real",
        "MIT (annotations)",
        "The Harmonix Set; your own recordings",
        FilesLayout(
            "dataset/beats_and_downbeats/*.txt",
            r"beats_and_downbeats/(.+)\.txt$",
            rows=BeatRows(columns=(3,)),
        ),
    ),
    SetInfo(
        "smc",
        "real",
        _NC,
        "SMC_MIREX, SMC group at INESC TEC",
        FilesLayout("SMC_MIREX_Annotations/*.txt", r"/(SMC_\d+)_[^/]*\.txt$", "SMC_MIREX_Audio", rows=TIMES_ONLY),
    ),
    SetInfo(
        "tapcorrect",
        "real",
        "CC BY-NC-SA 4.0 (annotations)",
        "TapCorrect annotations; your own recordings",
        FilesLayout(
            "annotations/*.csv",
            r"annotations/(.+)\.csv$",
            rows=BeatRows(separator=",", columns=(1, 2), count_column=None),
        ),
    ),
    SetInfo(
        "hjdb",
        "real",
        "annotations free, audio your own",
        "HJDB, hardcore, jungle and drum & bass beats; your own recordings",
        FilesLayout("annotations/*.beats", r"annotations/(.+)\.beats$"),
        None,
        True,
    ),
    SetInfo(
        "jaah",
        "real",
        "CC BY-NC-SA 4.0 (annotations)",
        "JAAH, Jazz Audio-Aligned Harmony; your own recordings",
        FilesLayout("annotations/*.json", r"annotations/(.+)\.json$", format="bars"),
    ),
    SetInfo(
        "asap",
        "real",
        "CC BY-NC-SA 4.0",
        "ASAP, aligned scores and performances, with MAESTRO audio",
        FilesLayout("**/*_annotations.txt", r"^(.+)_annotations\.txt$", ".", format="labels"),
        None,
        False,
    ),
)
SETS = {info.name: info for info in _ALL}


def how_to_get(info: SetInfo) -> str:
    """Tell in one line what to get, from where by name, under which licence, and how to lay it out."""
    layout = info.layout
    if isinstance(layout, PlainLayout):
        shape = "audio/<id>.flac (or wav, ogg, mp3), beats/<id>.beats, and drums/<id>.txt where there are drums"
    elif isinstance(layout, FilesLayout):
        audio = "beside each annotation" if layout.audio == "." else f"in {layout.audio}/, named after the id"
        shape = f"annotations as {layout.beats}, recordings {audio}"
    else:
        shape = f"as mirdata lays it out, with mirdata's index file of {info.name} in the same folder"
    return f"get {info.source} (licence: {info.licence}); layout: {shape}"
