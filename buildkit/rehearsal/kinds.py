"""The kinds of fault, and in a phrase what each does; apart, so that --help loads nothing more."""

KINDS = {
    "silent": "no probe answers or sends; without +SECONDS to the end",
    "corrupt": "every reading is broken on its way: wrong checksum, shorted lead",
    "stuck": "every probe repeats the reading it had then",
    "noise": "readings jump about, ten times as far as the part's table allows",
    "display-unplugged": "displays on the I2C bus do not answer",
    "bus-low": "something holds the data line of the I2C bus low",
    "brown-out": "the supply fails: the board starts anew, what it knew is lost",
    "rollover": "the board's clock jumps to 5 s before its end at 49.7 days",
}
AT_ONCE = ("brown-out", "rollover")  # these have no duration
