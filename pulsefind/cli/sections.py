"""The command `sections`."""

from __future__ import annotations

from pulsefind.cli.opening import SongArgument, opened, recording_of
from pulsefind.cli.options import Hints, clear_progress, show_progress


def sections(song: SongArgument, hints: Hints) -> None:
    """Suggest sections from what sounds alike, ready to be named in the song's file."""
    from pulsefind.listen.audio import load
    from pulsefind.listen.harmony import harmony_of
    from pulsefind.song.alike import alike_parts
    from pulsefind.song.notation import section_text
    from pulsefind.song.place import song_path

    analysis = opened(song, hints)
    track = recording_of(song)
    try:
        show_progress("listening for what comes back")
        parts = alike_parts(analysis.bars, harmony_of(load(track), not hints.no_cache))
    finally:
        clear_progress()
    if not parts:
        print("The song is too short for sections.")
        return
    print(f"What has the same letter sounds alike. Name it, and put it into {song_path(track).name}:\n")
    rows = ",\n".join(f'  "{section_text(part)}"' for part in parts)
    print(f"sections = [\n{rows},\n]")
