"""Advice for the radio's load, the message set, the antenna, the fix, the sky, the pole and the post."""

from __future__ import annotations

_DO_NOT_STORE = "Store no points until it is fixed again."
_CHECK_IN = "Once fixed, check in on a control point before you go on."
_SLOW_LINK = (
    "Rover: is the age of corrections in the receiver over {limit} s too? Then wait before each point until it is under.",
    "Air rate at both radios as high as the distance allows, and the same?",
    "Anybody else on the channel? Listen with the base off.",
    "Base: fewer messages (MSM4 instead of MSM7), or an epoch every 2 s.",
    "Corrections through a phone or modem: look at its signal.",
)
ANTENNA_CHECKS = (
    "Something over or against the antenna (a hood, snow, a roof, a vehicle)?",
    "Antenna plug screwed tight, dry and clean at both ends? Cable not crushed?",
    "A transmitter close by (a radio, a mast, a jammer in a vehicle)? Move away and look again.",
)

SIGNAL_DROP_CHECKS: dict[str, tuple[str, str, str]] = {
    "all": ANTENNA_CHECKS,
    "constellation": (
        "Nothing to mend at the antenna: the other systems come in as before.",
        "HDOP and satellites still good? Then go on, and look again in half an hour.",
        "If it stays so: switch that system off at base and rover, and tell the office.",
    ),
    "band": (
        "A transmitter close by (a radio, a mast, a jammer in a vehicle)? Move away and look again.",
        "Another antenna or its amplifier, if there is one: does the band come back?",
        "Fixing takes longer meanwhile: check in on a control point more often.",
    ),
    "some": (
        "Trees, a wall or a vehicle on one side? Move away from it.",
        ANTENNA_CHECKS[2],
        ANTENNA_CHECKS[1],
    ),
}
"""What to check first when C/N0 has fallen, by what the fallen signals have in common (`rules.book.sky`)."""

ADVICE: dict[tuple[str, str], tuple[str, tuple[str, ...]]] = {
    ("corrections-late", "slow-link"): ("{late}: the link is too slow or too busy.", _SLOW_LINK),
    ("corrections-late", "old-epochs"): (
        "{late}: they were already old when they were sent.",
        (
            "Base: does its clock run, does its screen show today's time and its satellites?",
            "Anything between base and radio that stores and forwards (a caster, a logger, a repeater)? Restart it.",
            "Base: restart its output of corrections.",
            *_SLOW_LINK[:1],
        ),
    ),
    ("corrections-late", "clock-not-set"): (
        "{late}: the two clocks do not agree, the link may be well.",
        (
            "Is the receiver's age of corrections small? Then go on, and tell the office that its clock is out.",
            "Base or receiver just switched on? Give it 15 minutes of sky: it learns the leap seconds.",
            "Base: has it got satellites and today's date?",
        ),
    ),
    ("link-overload", "too-many-messages"): (
        "The corrections need {percent} % of the radio's time: {epoch_bytes} bytes every {interval_s} s.",
        (
            "{fits}.",
            "Base: send one message set only, and leave out what nobody uses.",
            "A higher air rate at both radios, if the distance allows.",
            "An epoch every 2 s is enough for a walking rover.",
        ),
    ),
    ("message-set", "no-station-position"): (
        "The base sends satellites but not its own position (1005 or 1006): no rover can fix.",
        ("Base: switch on message 1005 or 1006, every 10 s.", "Base: has a coordinate been entered, or is it still averaging?"),
    ),
    ("message-set", "station-position-rare"): (
        "The base sends its position only every {interval_s} s: a rover that joins waits that long.",
        ("Base: send message 1005 or 1006 every 10 s.",),
    ),
    ("message-set", "no-glonass-bias"): (
        "The base sends GLONASS but not its biases (1230): rovers of another make cannot fix GLONASS.",
        (
            "Base: switch on message 1230, every 10 s.",
            "Base and rover of one make, and it fixes well? Then switch this rule off in the site file.",
            "Or switch GLONASS off at the rover.",
        ),
    ),
    ("message-set", "single-frequency"): (
        "The base sends one frequency only: fixing takes many minutes and may be wrong.",
        (
            "Base: are L2 or L5 switched on for output, and in its licence?",
            "Base: a message set with all signals (MSM4 or MSM7), not 1001 or 1003?",
            "Base's antenna one for all bands?",
        ),
    ),
    ("antenna-mismatch", "descriptor-differs"): (
        "The base says that its antenna is {said}; the site file says {expected}.",
        (
            "Read the type on the antenna itself.",
            "Set it at the base, or mend the site file, whichever is wrong.",
            "Tell the office: heights since the start may be out by centimetres.",
        ),
    ),
    ("fix-lost", "float"): (
        "{happened}.",
        (
            _DO_NOT_STORE,
            "Step into the open: trees and walls cost satellites ({satellites} now).",
            "Age of corrections ({age_s} s): over 5 s, look at the radio.",
            "Hold still for a minute. If it does not fix, restart the fix in the receiver.",
            _CHECK_IN,
        ),
    ),
    ("fix-lost", "differential"): (
        "{happened}.",
        (
            _DO_NOT_STORE,
            "Receiver: is it set to RTK from our base, or does it use satellite corrections (SBAS)?",
            "Are corrections coming in (radio light, age {age_s} s)?",
            "Step into the open and hold still for a minute.",
            _CHECK_IN,
        ),
    ),
    ("fix-lost", "autonomous"): (
        "{happened}.",
        (
            _DO_NOT_STORE,
            "Are corrections coming in (radio light at the rover blinking)?",
            "Cable or pairing between radio and receiver still on?",
            "Receiver: input set to RTCM 3 on that port?",
            _CHECK_IN,
        ),
    ),
    ("fix-lost", "no-position"): (
        "{happened}.",
        (
            _DO_NOT_STORE,
            "Receiver on? Battery?",
            "Cable from the receiver to the post still plugged in (port: {port})?",
            "Sky open? Antenna plug tight?",
            _CHECK_IN,
        ),
    ),
    ("sky", "few-satellites"): (
        "The {whose} has only {satellites} satellites.",
        (
            "Sky open all round? Move away from trees, walls and vehicles.",
            "All systems switched on (GPS, GLONASS, Galileo, BeiDou)?",
            *ANTENNA_CHECKS[1:],
        ),
    ),
    ("sky", "poor-geometry"): (
        "The {whose}'s satellites stand badly: HDOP {hdop}, over {limit}.",
        (
            "Half the sky hidden? Move away from it.",
            "All systems switched on (GPS, GLONASS, Galileo, BeiDou)?",
            "Wait some minutes: satellites move.",
        ),
    ),
    ("sky", "signal-drop"): (
        "The {whose}'s satellite signals are {most_db} dB weaker than in the last half hour. {points_at}.",
        ("{check_1}", "{check_2}", "{check_3}", "At the base's antenna: do not change the tripod's height or place."),
    ),
    ("tilt", "sensor-not-aligned"): (
        "The pole's tilt sensor is not aligned: {error}.",
        (
            "Either: run the alignment, about half a minute of walking and turning with the pole, until the receiver says so.",
            "Or: switch tilt correction off, and plumb each point with the bubble.",
            "Tilted points since this began: observe them again.",
        ),
    ),
    ("tilt", "pole-too-far-over"): (
        "The pole leans {angle_deg}°: {error}, if nothing corrects it.",
        (
            "Either: plumb the pole with the bubble.",
            "Or: keep the lean under {limit_deg}° with tilt correction on and aligned (half a minute of walking and turning).",
            "Point not reachable upright? Take an offset from two plumb points.",
        ),
    ),
    ("post-health", "disk-low"): (
        "The post's disk is filling: {disk_free_percent} % free, {disk_left_h} h left.",
        ("Pull the logs to the office and remove old ones.", "A larger card before tomorrow."),
    ),
    ("post-health", "hot"): (
        "The post is at {temperature_c} °C.",
        ("Put it in the shade, and let air to it.", "Fan, if there is one: does it turn?"),
    ),
    ("post-health", "low-voltage"): (
        "The post's supply voltage is too low: it may stop at any moment.",
        ("Change or charge its battery.", "A short, thick supply cable; plugs clean."),
    ),
    ("post-health", "bytes-lost"): (
        "The post could not keep up: {lost_bytes} bytes are lost, and the log says where.",
        ("Two programs on one port? Only the post may read it.", "Tell the office: the log has a gap."),
    ),
    ("post-health", "log-failed"): (
        "The log cannot be written: rules go on, but the day is not being kept.",
        (
            "Card full? Remove old logs.",
            "Card seated well? Switch off properly, reseat it, start again.",
            "If it stays so: another card.",
        ),
    ),
    ("post-health", "rule-failed"): (
        "The rule {rule} failed and is off until the next start; all else goes on.",
        ("Watch with your own eyes what {rule} would have watched.", "Send the log to whoever maintains the post: {error}"),
    ),
    ("post-health", "clock-stepped"): (
        "The receiver's time jumped by {step_s} s.",
        (
            "Receiver just started? Then it has found the right time; nothing to do.",
            "Otherwise note the time: the office must match field times before and after with care.",
        ),
    ),
}
