"""The styles that songs are made in: tempo, meter, and the rhythms that each instrument plays in them.

The rhythms are common practice as drum and guitar teachers write them on the board; no source. One character is one
slot of the bar; a pattern of several bars is several times as long.

Drums: X accent, x hit, o soft, . nothing.
Bass: R root, F fifth, T third, S sixth, V flat seventh, O octave, N root of the next chord, A half a tone under it,
W a step of a walk; - holds, . stops.
Chords: X accent, x chord, o soft chord, r low root, f low fifth, 1 2 3 4 single notes of the chord upwards;
- holds, . stops.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Style:
    """One style. slots is per beat; swing bounds the share of the pair that its first half takes.

    comps: (family of instrument, pattern). extras: (drum name, pattern). riffs: whether guitars and bass may play
    a riff together instead. lead: probability of a sung or played melody.
    """

    name: str
    weight: float
    beats: int
    slots: int
    bpm: tuple[float, float]
    kick: tuple[str, ...]
    snare: tuple[str, ...]
    hat: tuple[str, ...]
    bass: tuple[str, ...]
    comps: tuple[tuple[str, str], ...]
    swing: tuple[float, float] = (0.5, 0.5)
    hat_sound: tuple[str, ...] = ("closed",)
    snare_sound: tuple[str, ...] = ("snare",)
    extras: tuple[tuple[str, str], ...] = field(default=())
    riffs: float = 0.0
    lead: float = 0.65
    drumless: float = 0.3


_ROCK_COMPS = (
    ("guitar", "x---x-x-x---x-x-"), ("guitar", "X---x-xx--x-x-xx"), ("guitar", "x-x-X-x-x-x-X-x-"), ("drive", "x---------------"),
    ("drive", "x-x-x-x-x-x-x-x-"), ("drive", "X--x--x---x-----"), ("guitar", "1-2-3-4-3-2-3-2-"), ("keys", "x---x---x---x---"),
    ("pad", "x---------------"), ("guitar", "..x...x...x...x."), ("drive", "x--x--x-x--x--x-"), ("guitar", "x---X--x-xx-X-x-"),
)  # fmt: skip
_ROCK_BASS = ("R-R-R-R-R-R-R-R-", "R-------R-------", "R---------R-R---", "R-----R-R-----R-", "R---R---R---R---", "R--R--R-----F-N-",
              "R---------------", "R-..R-R-..R-F-A-")  # fmt: skip
_ROCK_KICK = ("x.......x.x.....", "x.......x.......", "x.x.......x.x...", "x.....x.x.......", "x..x......x.....", "x.x.....x.x...x.",
              "x......x..x.....", "x...x...x...x...", "x.........x.....", "x.....x...x..x..")  # fmt: skip
_BACKBEAT = ("....X.......X...", "....X.......X...", "....X.......X..o", "....X..o.o..X...", "....X..o....X.o.")
_EIGHTH_HAT = ("x.o.x.o.x.o.x.o.", "X.x.X.x.X.x.X.x.", "x...x...x...x...", "xoxoxoxoxoxoxoxo", "X.o.X.o.X.o.X.oo")

_FUNK_KICK = ("x..x..x...x..x..", "x.x....x..x.....", "x.....x..x....x.", "x..x...x.xx.....", "x.x......xx..x..", "x.....x...x..x..",
              "x..x....x.x....x", "x.x...x.......x.", "x..x..xx..x.....")  # fmt: skip

STYLES: tuple[Style, ...] = (
    Style("rock", 9, 4, 4, (78, 150), _ROCK_KICK, _BACKBEAT, _EIGHTH_HAT, _ROCK_BASS, _ROCK_COMPS,
          hat_sound=("closed", "open", "ride", "crash"), riffs=0.35),
    Style("pop", 7, 4, 4, (72, 132), _ROCK_KICK, _BACKBEAT, _EIGHTH_HAT, _ROCK_BASS,
          (("keys", "x---x---x---x---"), ("pad", "x---------------"), ("keys", "1-2-3-2-4-2-3-2-"), ("guitar", "x---x-xx-xx-x-x-"),
           ("guitar", "x---X---x-x-X-x-"), ("synth", "x--x--x---x-x---"), ("guitar", "..X...X...X...X."), ("synth", "1-3-2-3-1-3-2-3-"),
           ("keys", "x--x--x-x--x--x-"), ("keys", "x-------x-------")),
          hat_sound=("closed", "shaker", "ride"), snare_sound=("snare", "clap", "rim"), extras=(("tamb", "....x.......x..."),)),
    Style("eighties", 3, 4, 4, (100, 150), ("x.......x.x.....", "x...x...x...x...", "x.x.....x.x.....", "x.......x......."), _BACKBEAT,
          ("x.x.x.x.x.x.x.x.", "xoxoxoxoxoxoxoxo", "..x...x...x...x."), ("R-R-R-R-R-R-R-R-", "R-O-R-O-R-O-R-O-", "R-------R-R-----"),
          (("synth", "x-----x-----x---"), ("drive", "x-x-x-x-x-x-x-x-"), ("pad", "x---------------"), ("synth", "..x-..x-..x-..x-"),
           ("drive", "x-----x---------"), ("guitar", "x.x.X.x.x.x.X.x.")), hat_sound=("closed", "open"), riffs=0.3),
    Style("ballad", 4, 4, 4, (54, 84), ("x.......x.......", "x......xx.......", "x.....x.x.....x."), ("....X.......X...", "............X...", "....X.......X..o"),
          ("x.x.x.x.x.x.x.x.", "x...x...x...x..."), ("R-------R-------", "R-----R-R-----F-", "R---------------"),
          (("keys", "x---x---x---x---"), ("keys", "1-2-3-4-3-2-3-2-"), ("guitar", "r-2-3-4-3-2-3-2-"), ("pad", "x---------------"),
           ("guitar", "x---o-o-x---o-o-"), ("keys", "1234321212343212"), ("strings", "x-------x-------")),
          hat_sound=("closed", "ride"), snare_sound=("snare", "rim"), drumless=0.5, lead=0.85),
    Style("punk", 4, 4, 2, (150, 215), ("x...x...", "x..xx...", "x.x.x.x.", "x..x.x..", "x.xxx.x."), ("..X...X.", "..X...X.", ".X.X.X.X"),
          ("xxxxxxxx", "x.x.x.x."), ("RRRRRRRR", "R.R.R.R."), (("drive", "xxxxxxxx"), ("drive", "x-x-x-x-"), ("drive", "x-------"), ("drive", "XxxXxxXx"), ("guitar", "xxXxxxXx")),
          hat_sound=("closed", "open", "crash", "ride"), riffs=0.4, drumless=0.2),
    Style("metal", 5, 4, 4, (105, 205), ("x.x.x.x.x.x.x.x.", "xxxxxxxxxxxxxxxx", "x..x..x.x..x..x.", "x.xxx.xxx.xxx.xx", "x.......x.......", "x.x.....x.xx....", "xx..xx..xx..xx.."),
          ("....X.......X...", "....X.......X...", "........X.......", "..X...X...X...X."), ("x...x...x...x...", "x.x.x.x.x.x.x.x.", "X...X...X...X..."),
          ("R-R-R-R-R-R-R-R-", "RRRRRRRRRRRRRRRR", "R-RRR-RRR-RRR-RR", "R--R--R-R--R--R-"),
          (("drive", "x-xxx-xxx-xxx-xx"), ("drive", "xxxxxxxxxxxxxxxx"), ("drive", "x---------------"), ("drive", "x--x--x-x--x--x-"), ("drive", "x-x-x-x-x-x-x-x-")),
          hat_sound=("closed", "open", "ride", "crash"), riffs=0.75, lead=0.5, drumless=0.2),
    Style("funk", 6, 4, 4, (84, 122), _FUNK_KICK, ("....X..o.o..X..o", "....X.o..o.oX...", "....X..o....X.oo"),
          ("xoxoxoxoxoxoxoxo", "x.x.x.x.x.x.x.x.", "xooxxooxxooxxoox", "..X...X...X...X.", "xxX.xxX.xxX.xxX."), ("R..R..O...F.V.R.", "R--.....R.R..O..", "R..V.R..F..F.VA.", "R...R..R..O.V.F."),
          (("guitar", "oxoox.oxoox.oxxo"), ("guitar", "....x.......x..."), ("keys", "..x..x....x..x.."), ("brass", "X.....x.....X..."), ("guitar", "x.ox.ox.x.ox.ox."), ("organ", "x---------------"), ("keys", "x..x..x...x.....")),
          hat_sound=("closed", "closed", "open", "ride"), riffs=0.3),
    Style("soul", 3, 4, 4, (88, 140), ("x.....x.x.......", "x.......x.x.....", "x..x....x..x....", "x...x...x...x..."), ("....X.......X...", "X...X...X...X...", "....X..o....X..."),
          ("x.x.x.x.x.x.x.x.", "x...x...x...x..."), ("R-..R-F-..F-R-A-", "R---R-R-F---F-A-", "R-..R-O-V-..F-.."), (("guitar", "....X.......X..."), ("keys", "x---x---x---x---"), ("organ", "x---------------"), ("brass", "x.....x........."), ("keys", "x-----x---x-----")),
          extras=(("tamb", "....x.......x..."), ("tamb", "..x...x...x...x.")), hat_sound=("closed", "ride")),
    Style("disco", 4, 4, 4, (108, 134), ("x...x...x...x...",), ("....X.......X...", "................"), ("..X...X...X...X.", "xoXoxoXoxoXoxoXo", "x.X.x.X.x.X.x.X."),
          ("R-O-R-O-R-O-R-O-", "..R-..R-..R-..R-", "R-..R-O-..R-F-O-", "R-R-R-R-R-R-R-R-"), (("keys", "x..x..x...x..x.."), ("strings", "x---------------"), ("guitar", "xoXoxoXoxoXoxoXo"), ("synth", "..x-..x-..x-..x-"), ("synth", "1.2.3.1.2.3.1.2."), ("organ", "..x...x...x...x.")),
          hat_sound=("open", "closed"), snare_sound=("clap", "snare"), extras=(("shaker", "xoxoxoxoxoxoxoxo"), ("conga", "o.x.o.xxo.x.o.xx"))),
    Style("hiphop", 3, 4, 4, (68, 104), ("x......x..x.....", "x..x......x..x..", "x.......xx......", "x..x..x...x.....", "x.....x.x......x"), ("....X.......X...", "....X.......X..o"),
          ("x.x.x.x.x.x.x.x.", "x.xxx.x.x.xxx.x.", "xxxxxxxxxxxxxxxx"), ("R---------R-----", "R--R------R--R--", "R---------------", "R------R--F-----"),
          (("keys", "x---------------"), ("keys", "x--x--x---------"), ("synth", "1-.3..2...4-...."), ("strings", "x-------x-------"), ("guitar", "1-3-2-4-1-3-2---")), swing=(0.5, 0.62), snare_sound=("snare", "clap"), lead=0.6),
    Style("breakbeat", 3, 4, 4, (155, 178), ("x.x.......x.....", "x.........x.....", "x.x......xx....."), ("....X..o.o..X...", "....X.......X...", "....X..o....X..o"),
          ("x.x.x.x.x.x.x.x.", "xoxoxoxoxoxoxoxo"), ("R---------------", "R-----R---------", "R-------F-------"), (("pad", "x---------------"), ("synth", "x-----x-----x---"), ("keys", "x---------x-----")), hat_sound=("closed", "ride")),
    Style("shuffle", 5, 4, 3, (62, 150), ("x.....x.....", "x..x..x..x..", "x.....x.x...", "x....xx....."), ("...X.....X..", "...X.....X.o", "...X.o...X.."), ("x.xx.xx.xx.x", "x.ox.ox.ox.o", "x..x..x..x.."),
          ("R--T--F--S--", "R-RT-TF-FS-S", "W--W--W--W--", "R-RR-RF-FF-F", "R-----F-----", "R-RR-RR-RR-R"), (("guitar", "x-xx-xx-xx-x"), ("drive", "x-xx-xx-xx-x"), ("guitar", "...X.....X.."), ("organ", "x-----------"), ("keys", "x-.x-.x-.x-."), ("guitar", "..x..x..x..x"), ("keys", "1-23-43-21-2"), ("keys", "..x..x..x..x"), ("brass", "..X.....X...")),
          hat_sound=("closed", "ride"), riffs=0.15),
    Style("rockabilly", 3, 4, 3, (130, 220), ("x..x..x..x..", "x.....x....."), ("...X.....X..", "..o...o...o.", "...X.oX..X.."), ("x..x.xx..x.x", "x.xx.xx.xx.x", "x..x..x..x.."),
          ("R--T--F--S--", "W--W--W--W--", "R--F--R--F--", "R-RF-FR-RF-F"), (("guitar", "r--x--f--x--"), ("guitar", "...X.....X.."), ("keys", "x..x..x..x.."), ("guitar", "x..x.xx..x.x"), ("guitar", "1--2--3--2--")), hat_sound=("ride", "closed"), snare_sound=("snare", "brush")),
    Style("twelve-eight", 4, 4, 3, (44, 88), ("x.....x.....", "x.....x....x", "x....xx.....", "x..x..x..x.."), ("...X.....X..", "......X....."), ("xxxxxxxxxxxx", "x.xx.xx.xx.x", "xooxooxooxoo"),
          ("R-----R-----", "R----RF----N", "R--R--R--R--", "R--------R-A"), (("keys", "xxxxxxxxxxxx"), ("guitar", "123432123432"), ("keys", "x--x--x--x--"), ("organ", "x-----------"), ("guitar", "x--X--x--X--"), ("pad", "x-----------"), ("guitar", "r23423r23423")),
          hat_sound=("closed", "ride"), drumless=0.4, lead=0.8),
    Style("train", 4, 4, 4, (80, 132), ("x.......x.......", "x...x...x...x...", "................"), ("o.oXo.oXo.oXo.oX", "ooXoooXoooXoooXo", "ooXoooXoooXoooXo", "o.X.o.X.o.X.ooX."), ("................", "..x...x...x...x.", "x...x...x...x..."),
          ("R---....F---....", "R-------F-------", "R---R---F---A---"), (("guitar", "r---x---f---x---"), ("guitar", "r---x-x-f---x-x-"), ("guitar", "..x...x...x...x."), ("guitar", "1-2-3-2-1-2-3-2-"), ("keys", "....x.......x...")), snare_sound=("snare", "brush"), hat_sound=("pedal", "closed"), drumless=0.4),
    Style("two-beat", 4, 4, 2, (150, 235), ("x...x...", "x......."), ("..X...X.", ".x.x.x.x", "..x...x."), ("x.x.x.x.", "..x...x.", "xxxxxxxx"), ("R---F---", "R-..F-..", "R---F-A-", "R-T-F-S-"),
          (("guitar", "r-x-f-x-"), ("guitar", "r-x.f-x."), ("guitar", "r-xxf-xx"), ("keys", "..x...x."), ("guitar", "1-234-32"), ("guitar", "x.x.x.x."), ("strings", "x-------")), snare_sound=("snare", "brush", "rim"), hat_sound=("closed", "pedal"), drumless=0.45),
    Style("folk", 4, 4, 4, (72, 140), ("x.......x.......", "x...x...x...x..."), ("................", "....x.......x..."), ("..x...x...x...x.", "x.x.x.x.x.x.x.x."), ("R-------F-------", "R---------------", "R---R---F---F---"),
          (("acoustic", "x---x-xx--xxx-xx"), ("acoustic", "x---X---x---X-x-"), ("acoustic", "x-x-X-xx.-x-X-xx"), ("acoustic", "x---X-x-.-x-X-x-"), ("acoustic", "r-3-2-4-f-3-2-3-"), ("acoustic", "r-2-3-2-f-2-3-2-"), ("acoustic", "x---x---x-x-x-x-"), ("acoustic", "x--x--x-x--x--x-"), ("acoustic", "r-x-f-x-r-x-f-x-"), ("strings", "x---------------")),
          hat_sound=("shaker", "tamb"), drumless=0.75, lead=0.85),
    Style("waltz", 4, 3, 2, (84, 190), ("x.....", "x.....", "x...x."), ("..x.x.", "....x.", "......", "..X..."), ("x.x.x.", "..x.x.", "x.xxx.", "xxxxxx"), ("R-----", "R---F-", "R-----F-----", "R-T-F-"),
          (("keys", "r-x-x-"), ("acoustic", "r-x-x-"), ("acoustic", "x-xxx-"), ("acoustic", "r-2-3-"), ("keys", "1-2-3-"), ("strings", "x-----"), ("accordion", "r-x-x-"), ("acoustic", "r-xxxx"), ("keys", "123432")), snare_sound=("snare", "brush", "rim"), hat_sound=("closed", "ride"), drumless=0.5, lead=0.8),
    Style("slow-three", 2, 3, 4, (58, 112), ("x...........", "x.....x.....", "x.......x..."), ("....X...X...", "........X...", "....X......."), ("x.x.x.x.x.x.", "x...x...x..."), ("R-----------", "R-------F---", "R-----R-F---"),
          (("acoustic", "x---x-x-x-x-"), ("keys", "1-2-3-4-3-2-"), ("pad", "x-----------"), ("acoustic", "r-2-3-4-3-2-"), ("drive", "x-----------"), ("guitar", "x---X---X---")), drumless=0.45, lead=0.8, riffs=0.2),
    Style("jazz-waltz", 3, 3, 3, (100, 205), ("x........", "o........", ".........", "x....o..."), ("...o.....", ".....o..o", ".........", "..o...o.."), ("x..x.xx..", "x..x.xx.x", "x..x..x..", "x.xx..x.."), ("R--W--W--", "R-----F--", "R--------", "W--W--W--"),
          (("jazz", "x--......"), ("jazz", "..x..x..."), ("jazz", "x-----..x"), ("keys", "r--x--x--"), ("vibes", "x--------"), ("jazz", ".....x...")), hat_sound=("ride",), snare_sound=("brush", "snare", "rim"), extras=(("pedal", "...x.....", ), ("pedal", "...x..x.."))),
    Style("swing", 7, 4, 3, (96, 250), ("o..o..o..o..", "............", "x...........", "........x...", "x.....x....."), ("............", "..o.....o...", ".....o.....o", "........o...", "...x.....x.."), ("x..x.xx..x.x", "x..x.xx..x.x", "x..x..x..x.x", "x..x.xx..x.."),
          ("W--W--W--W--", "W--W--W--W--", "R-----F-----", "R-----W-----", "W--W-WW--W--"), (("jazz", "x..x..x..x.."), ("jazz", "..x-....x-.."), ("jazz", "x----x......"), ("keys", ".....x-....."), ("vibes", "x-----------"), ("brass", "..X.....x..X"), ("jazz", "...x.....x.."), ("keys", "r--x--f--x--")),
          hat_sound=("ride", "ride", "brush"), snare_sound=("snare", "brush", "rim"), extras=(("pedal", "...x.....x.."), ("pedal", "...x.....x..")), drumless=0.3),
    Style("jazz-five", 1, 5, 3, (110, 180), ("x........x.....", "x.............."), ("...............", ".....o.....o..."), ("x..x.xx..x.xx..", "x..x.xx..x..x.."), ("R--W--W--R--W--", "R----RF--R--F--", "W--W--W--W--W--"), (("keys", "x----xx--x--x--"), ("jazz", "x--......x--..."), ("keys", "x----x...x--x--")), hat_sound=("ride",), extras=(("pedal", "...x........x.."),)),
    Style("bossa", 4, 4, 2, (96, 160), ("x..xx..x", "x...x..."), ("x..x..x...x..x..", "..x..x..x..x..x.", "...x..x..x..x..."), ("xxxxxxxx", "XxxxXxxx"), ("R--RF--F", "R--FF--R", "R-.RF-.F"),
          (("nylon", "x..x..x...x.x..."), ("nylon", "r-x.f-x."), ("nylon", "rx.xfx.x"), ("keys", "x--x....x...x--."), ("nylon", "x.x..x.x"), ("strings", "x-------")), hat_sound=("closed", "shaker", "brush"), snare_sound=("rim",), drumless=0.45, lead=0.75),
    Style("samba", 4, 4, 2, (150, 215), ("x..xx..x", "o...X...", "....X..."), ("x.xx.x.x", "xx.xx.xx", "x.x.xx.xx.x.x.xx", "XxxXxxXx"), ("xxxxxxxx", "XxxxXxxx"), ("R--RF--F", "R---F---", "R--FR--F"),
          (("nylon", "x.xx.x.x"), ("nylon", "x.x.xx.x.x.xx.x."), ("keys", "x..x..x.")), hat_sound=("closed", "shaker"), snare_sound=("snare", "rim"), extras=(("shaker", "XxxXXxxX"), ("bell", "x.xx.x.xx.x.xx.x"), ("conga", "..x...xx"), ("tom", "....X..."))),
    Style("salsa", 4, 4, 2, (150, 230), ("........", "...x..x."), ("x..x..x...x.x...", "..x.x...x..x..x.", "........"), ("x.x.x.x.", "x.xxx.xx", "........"), ("...F--N-", "R..F--N-", "R-.F-.R-"), (("keys", "x.xx.xx.x.xx.xx."), ("keys", "x.xx.x.x.x.x.x.x"), ("brass", "X.....x...X....."), ("keys", ".x.x.xx..x.x.xx.")),
          hat_sound=("bell", "closed"), snare_sound=("rim", "block"), extras=(("block", "x..x..x...x.x..."), ("block", "..x.x...x..x..x."), ("conga", "oox.ooxx"), ("bell", "x.x.x.x."), ("shaker", "xoxoxoxo")), drumless=0.2),
    Style("cha-cha", 2, 4, 2, (104, 136), ("x...x...", "......x."), ("..x...xx", "......xx"), ("x.x.x.x.", "xoxoxoxo"), ("R-.F--N-", "R---F-F-"), (("keys", ".x.x.x.x"), ("keys", "x.xx.xx."), ("guitar", "..x...xx"), ("keys", "x.x.x.xx")), hat_sound=("bell",), snare_sound=("rim", "conga"), extras=(("conga", "oxooooxx"), ("shaker", "x.xxx.xx"))),
    Style("bolero", 2, 4, 4, (78, 118), ("x.......x.......", "x.....x.x......."), ("....x.......x...", "......x...x.x..."), ("xoxoxoxoxoxoxoxo", "x.xxx.x.x.x.x.x."), ("R-------F---F---", "R-----R-F---A---"), (("nylon", "r.x.x.x.f.x.x.x."), ("keys", "1-2-3-2-4-2-3-2-"), ("strings", "x---------------")), hat_sound=("shaker",), snare_sound=("rim", "conga"), extras=(("conga", "o.xoo.xxo.xoo.xx"),), drumless=0.4, lead=0.85),
    Style("tango", 3, 4, 4, (104, 134), ("x...x...x...x...", "x.....x.x......."), ("................", "x..x..x.x...x..."), ("................", "x...x...x...x..."), ("R---R---R---R---", "R-----R-F---F---", "R--R--R-F---F---"), (("keys", "x---x---x---x---"), ("accordion", "X.x.X.x.X.x.X.x."), ("strings", "X...x...X...x..."), ("keys", "x--x--x-x---x---"), ("accordion", "X---x---X---x---"), ("nylon", "r--x--x-f---x---")), snare_sound=("snare", "rim"), drumless=0.6, lead=0.85),
    Style("cumbia", 2, 4, 4, (80, 112), ("x...x...x...x...",), ("..x...x...x...x.",), ("x.xxx.xxx.xxx.xx",), ("R-------F---F---", "R---F-F-R---F-F-"), (("accordion", "..x...x...x...x."), ("guitar", "..x-..x-..x-..x-"), ("keys", "..xx..xx..xx..xx")), hat_sound=("shaker", "bell"), extras=(("conga", "..xo..xo..xo..xo"),)),
    Style("reggae", 4, 4, 4, (60, 104), ("....x.......x...", "x.......x.......", "x...x...x...x...", "....x..x....x...", "x...x.x.x...x..x"),
          ("....X.......X...", "....X.......X..o", "....X..o....X.oo"), ("x.x.x.x.x.x.x.x.", "..x...x...x...x.", "x.xxx.xxx.xxx.xx", "xooxxooxxooxxoox"),
          ("R-..R-T-F-......", "..R-R-..F-T-R-..", "R---....R-R-F---", "R-R-T-..F-..R-..", "....R-R-F-T-R-.."), (("guitar", "..x...x...x...x."), ("guitar", "..x...x...x..xx."), ("guitar", "..xo..xo..xo..xo"), ("organ", "..xx..xx..xx..xx"), ("organ", "x.xxx.xxx.xxx.xx"), ("keys", "..x...x...x...x.")),
          swing=(0.5, 0.64), snare_sound=("rim", "snare"), drumless=0.35),
    Style("ska", 4, 4, 2, (110, 180), ("x...x...", "x.x.x.x.", "....x..."), ("..X...X.", "....X..."), ("x.x.x.x.", "xxxxxxxx", ".x.x.x.x"), ("W-W-W-W-", "R-T-F-T-", "R-R-F-F-"), (("guitar", ".x.x.x.x"), ("organ", ".x.x.x.x"), ("brass", "X..x...."), ("keys", ".x.x.x.x"), ("brass", "x.x...x.")), drumless=0.3),
    Style("six-eight", 5, 6, 2, (110, 250), ("x...........", "x.........x.", "x...x.......", "x.x.......x."), ("......X.....", "......X..o..", "......X...o."), ("x.x.x.x.x.x.", "X.o.o.X.o.o.", "x.....x....."), ("R-----------", "R-----F-----", "R---R-F---N-", "R-----R-R-R-"),
          (("acoustic", "1-2-3-4-3-2-"), ("keys", "r-x-x-f-x-x-"), ("acoustic", "x---x-x---x-"), ("keys", "x-----x-----"), ("drive", "x-----------"), ("acoustic", "r-2-3-4-3-2-"), ("guitar", "x-x-x-X-x-x-"), ("pad", "x-----------")), hat_sound=("closed", "ride"), drumless=0.4, riffs=0.15, lead=0.75),
    Style("six-eight-march", 3, 6, 2, (170, 250), ("x.....x.....", "x..........."), ("x..ox.x..ox.", "..x.x...x.x.", "X.x.x.X.x.x."), ("x.....x.....", "x...x.x...x."), ("R-....F-....", "R---..F---.."), (("brass", "x-..x-x-..x-"), ("brass", "..x.x...x.x."), ("keys", "r-x-x-f-x-x-"), ("accordion", "r-..x-f-..x-")), hat_sound=("crash", "closed")),
    Style("afro-six", 3, 6, 2, (160, 260), ("x.....x.....", "....x.....x.", "x..........."), ("....x.....x.", "......x.....", "............"), ("x.x.xx.x.x.x", "x.x.xx.x.x.x", "x.x.x.x.x.x."), ("R---F---R---", "R-..F-R-..F-", "R-----F-----"), (("keys", "x...x...x..."), ("guitar", "1.2.3.1.2.3."), ("keys", "x.x.x.x.x.x."), ("nylon", "r.x.x.f.x.x.")), hat_sound=("bell", "ride"), snare_sound=("rim", "snare", "conga"), extras=(("conga", "o.o.x.o.o.xx"), ("shaker", "x.o.o.x.o.o."))),
    Style("three-against-six", 2, 3, 2, (100, 175), ("x..x..", "x.....", "x..xx."), ("..x.x.", "...x..", "....X.", "x..x.."), ("x.xxx.", "xxxxxx", "x.x.x."), ("R-..F-", "R--F--", "R-R-F-", "..R-F-"), (("nylon", "x.xx.x"), ("nylon", "Xx.x.x"), ("nylon", "r.x.x."), ("nylon", "x..x.."), ("nylon", "x.xxx.")), snare_sound=("tom", "rim", "snare"), hat_sound=("tom", "shaker", "closed"), drumless=0.35),
    Style("five", 1, 5, 4, (84, 160), ("x...........x.......", "x.....x.....x.......", "x.......x.......x..."), ("....X.......X.......", "........X.......X...", "....X...........X..."), ("x.x.x.x.x.x.x.x.x.x.", "x...x...x...x...x..."), ("R-----------R-------", "R-R-R-R-R-R-R-R-R-R-"), (("drive", "x-----------x-------"), ("guitar", "1-2-3-4-3-2-1-2-3-2-"), ("keys", "x---x---x---x---x---")), riffs=0.5),
    Style("seven", 1, 7, 2, (150, 260), ("x.......x...x.", "x...x.......x.", "x.....x...x..."), ("....X.....X...", "....X.......X.", "..X...X...X..."), ("x.x.x.x.x.x.x.", "x...x...x...x."), ("R-------R---R-", "R---R---R-----", "R-R-R-R-R-R-R-"), (("drive", "x-------x---x-"), ("guitar", "1-2-3-2-1-2-3-"), ("keys", "x---x---x-----")), riffs=0.5),
    Style("march", 2, 4, 4, (96, 132), ("x...x...x...x...", "x.......x......."), ("x..ox.oox..ox.oo", "..x...x...x...x.", "X.ooX.ooX.ooX.oo"), ("................", "x...x...x...x..."), ("R---F---R---F---", "R-..F-..R-..F-.."), (("brass", "..x...x...x...x."), ("brass", "x---x---x---x---"), ("accordion", "r-x-f-x-r-x-f-x-")), hat_sound=("crash", "closed"), drumless=0.25),
    Style("polka", 1, 2, 4, (100, 140), ("x...x...",), ("..x...x.", "..xo..xo"), ("..x...x.", "x.x.x.x."), ("R---F---",), (("accordion", "r-x-f-x-"), ("acoustic", "r-x-f-x-"), ("brass", "..x...x."))),
    Style("gospel", 3, 4, 4, (70, 130), ("x..x..x...x.....", "x......x..x....."), ("....X.......X..o", "....X..o....X.o."), ("x.x.x.x.x.x.x.x.", "xoxxxoxxxoxxxoxx"), ("R--R..F-..V-A---", "R-----R-F-..A-A-"), (("organ", "x---------------"), ("keys", "x--x--x---x--x--"), ("organ", "x-----x---------")), swing=(0.5, 0.62), extras=(("clap", "....x.......x..."),)),
    Style("classical", 3, 4, 4, (60, 144), ("................",), ("................",), ("................",), ("R---------------", "R---R---R---R---"), (("keys", "1-3-2-3-1-3-2-3-"), ("strings", "x---x---x---x---"), ("strings", "x-------x-------"), ("keys", "1234123412341234"), ("strings", "..x...x...x...x."), ("keys", "r-x-x-x-r-x-x-x-"), ("brass", "x-------x---x---")), drumless=0.97, lead=0.9),
    Style("chorale", 1, 3, 4, (66, 132), ("............",), ("............",), ("............",), ("R-----------", "R---R---R---"), (("keys", "1-2-3-2-3-2-"), ("strings", "x---x---x---"), ("keys", "1-3-2-3-2-3-"), ("strings", "x-------x---"), ("keys", "r---x---x---")), drumless=0.97, lead=0.9),
    Style("surf", 3, 4, 4, (120, 170), ("x.......x.x.....", "x...x...x...x...", "x..x....x......."), ("....X.X.....X...", "....X.......X...", "..X...XX..X...X."), ("x.x.x.x.x.x.x.x.", "x...x...x...x..."), ("R-R-R-R-R-R-R-R-", "R-..R-T-F-..F-T-", "R-------F-------"), (("guitar", "x---x---x---x---"), ("guitar", "x.x.X.x.x.x.X.x."), ("guitar", "x-------x-------"), ("guitar", "1-2-3-2-4-2-3-2-")), hat_sound=("ride", "closed"), snare_sound=("snare", "tom"), lead=0.95, drumless=0.35),
)  # fmt: skip


def check(style: Style) -> None:
    """Raise ValueError if a rhythm's length is not a whole number of bars."""
    size = style.beats * style.slots
    rhythms = [*style.kick, *style.snare, *style.hat, *style.bass]
    rhythms += [p for _, p in (*style.comps, *style.extras)]
    for rhythm in rhythms:
        if len(rhythm) % size:
            raise ValueError(f"style {style.name}: {rhythm!r} has {len(rhythm)} slots, a bar has {size}")
