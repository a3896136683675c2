"""Every text of the page that is the page's own, in English (`words` says them in the reader's language).

What is wrong and what to do are the book's (`rules.book.words`).
"""

from __future__ import annotations

NOW = "Now"
TODAY = "Today"
CHECK_IN = "Check in"
DAY = "Day"
RADIO = "Radio"
FILES = "Files"
HELP = "Help"

PLACES = "Places"
SKIP = "To the state"
LEAVE = "Sign out"

# The PIN.
PIN = "PIN"
PIN_WHY = "The card and whoever set the post up have it."
ENTER = "Enter"
PIN_WRONG = "That is not the PIN. Nothing was changed."
PIN_LOCKED = "Too many wrong PINs came from this phone. Try again in {seconds:.0f} seconds."
NOT_IN = "Enter the PIN first. Nothing was changed."

# Forms.
NAME = "Your name"
NAME_MISSING = "Give your name, so that the log says who. Nothing was changed."
TOO_LONG = "{field} is too long: {most} characters are the most. Nothing was changed."
FORM_FORGED = "This form was not made by this page. Nothing was changed; do it here once more."
FORM_USED = "This form was sent before. Nothing was changed a second time."
FORM_OLD = "This form was open for too long. Nothing was changed; do it here once more."
OTHER_ORIGIN = "This came from another site's page. Nothing was changed."
NOT_READABLE = "The form cannot be read. Nothing was changed; do it here once more."
NOTHING_CHOSEN = "Choose what to do. Nothing was changed."
POST_BUSY = "The post is being told too much at once. Nothing was changed; try again in a second."
NO_PLACE = "There is no such place."
BROKEN = "This place cannot be shown now. The watch goes on; the journal says why."

# Now.
UNHEARD = "Not heard for {seconds:.0f} s"
UNHEARD_WHY = "This is not the state: the phone has lost the post, or the post has lost its watch. Go by its light and sound."
STARTING_WHY = "Not every port is open yet."
WELL_WHY = "Listening, judging, logging."
NO_STATUS = "The post is only just starting."
SINCE = "Since {clock}"
OVER_SINCE = "Over since {clock}"
OVER_ASK = "Nobody has seen it yet. Which points were stored meanwhile? Ask, and note them."
OF_RUN = "It was in the run before ({run})."
FOR = "for {span}"
OVER = "over"
SEEN_ALREADY = "Seen already"
SEEN_AT = "{who} at {clock}"
SEEN_BY = "Seen by {by}"
SILENT = "Silent until {clock}"
PAUSED = "Paused until {clock} by {by}: {why}. Nothing new is raised until then, unless the base is back and wrong."
FIRST = "What to check, in this order"
SEEN = "Seen"
QUIET = "Quiet for 10 minutes"
BESIDE = "What else stands"
FOLLOWS = "Along with it"
READY = "Ready for work"
NOT_READY = "Not ready yet"
PROBLEMS = "The post itself"
OFFICE = "The office"
DONE_QUIET = "Quiet for 10 minutes, by {by}. The light goes on telling the truth."
NOTHING_OPEN = "Nothing stands that could be seen or silenced."
NO_TLS = "This page is not encrypted of itself: the Wi-Fi's own encryption is all there is."

# That was it.
THAT_WAS_IT = "That was it"
WHAT_SOLVED = "What solved it?"
OVER_LATELY = "Over in the last half hour: what solved it?"

# Today.
HOLDS = "What holds now"
PLANNED = "As in the site file: nobody has said a set-up today."
SET_UP_BY = "Set up by {by}, {clock}."
SOMEBODY = "somebody"
SET_UP_NEW = "Set up"
SET_UP_WHY = "It takes effect at once, goes into the log, and holds until the next set-up. The site file stays as it is."
OCCUPIES = "The base stands on"
NONE_OF_LIST = "none of the list"
ANTENNA = "Antenna height"
ANTENNA_VERTICAL = "Vertical, from the mark to the antenna's reference point, m"
SLANT_TITLE = "Measured as a slant?"
SLANT_WHY = "Leave the vertical height empty, then. Radius and offset are on the antenna's drawing."
SLANT = "Slant, from the mark to the antenna's rim, m"
RADIUS = "The antenna's radius, from its axis to the rim, m"
OFFSET = "From the reference point up to the rim, m (0 where left empty)"
RECKON = "Show the vertical height"
VERTICAL_MADE = "These make {height:.3f} m, vertical."
VERTICAL_NONE = "These make no antenna height: the slant is the longest of them."
VERTICAL_IS = "These make {height:.3f} m, vertical. Nothing was set up yet."
SLANT_MISSING = "Give the slant and the antenna's radius. Nothing was changed."
BOTH_HEIGHTS = "Give the antenna height either vertical or as a slant, not both. Nothing was changed."
MADE = "Made of"
MADE_OF = "slant {slant:.3f} m, radius {radius:.3f} m, offset {offset:.3f} m"
POLE = "Pole height, m"
POLE_HEIGHT = "Pole height"
METRES = "{length:.3f} m"
SET_UP_DO = "Set up like this"
NO_LENGTH = "{field}: read {read}; expected metres such as 1.532. Nothing was changed."
POINT_MISSING = "Choose a point. Nothing was changed."
CHOOSE = "Choose"
NOTHING_CHANGED = "{why}. Nothing was changed."
ABOUT = "about {clock}"
UNKNOWN_TIME = "at an unknown time"

# Check in.
CHECK_IN_WHY = "Put the pole on the mark, plumb it, touch the button and stand still for ten seconds."
STAND_ON = "I stand on"
STAND_NOW = "I stand on it now"
NO_POINTS = "The site file lists no control points, so there is nothing to check in on."
SECONDS = "{seconds} s"
CHECK_PASSED = "passed"
CHECK_FAILED = "not passed"
CHECK_NONE = "no check"
EAST = "East"
NORTH = "North"
ACROSS = "Across"
UP = "Up"
MEASURED = "Measured"
LIMIT = "Limit"

# Day.
STRIP = "The last 24 hours, the newest on top"
LANE_FIX = "fix"
LANE_CORRECTIONS = "corr."
LANE_AGE = "age"
LANE_OFF = "off"
SEVERITIES = {"stop": "stop", "check": "check", "note": "note"}
TOUCH_HOUR = "What was from"
TOUCH_WHY = "Touch an hour to read what was when."
HOUR_EMPTY = "Nothing is known of this hour."
FIXES = {"fixed": "fixed", "float": "float", "unfixed": "not fixed", "none": "no position"}
CAME = "corrections came {share:.0f} % of the time"
OLDEST = "oldest corrections {age}"
STILL = "It still stands."
LASTED = "It lasted {span}."
PASSED = "passed"
NOT_PASSED = "not passed"
GAP = "nothing came on"
OFF_UNTIL = "until {clock}"
SAID = {
    "acknowledge": "seen by",
    "shelve": "made quiet by",
    "planned": "paused by",
    "setup": "set up by",
    "solved": "solved, says",
}
NO_LOG = "There is no log yet."
LEGEND = "What the lanes mean"
LEGEND_FIX = "fix: narrow is fixed, wider is float, widest is not fixed, hollow is no position"
LEGEND_CORRECTIONS = "corr.: as wide as the share of corrections that came; a red edge where nothing came for 10 s or longer"
LEGEND_AGE = "age: of the corrections in use; the whole width is 10 s and more"
LEGEND_OFF = "a grey block: the post was off, or no log is left of that time"

# Radio.
ON_THE_LINE = "On the line now"
BYTES = "{rate:.0f} bytes/s"
EPOCHS_OF = "epochs of station {station}"
EPOCHS = "{rate:.2g} a second"
SHARE = "epochs that came"
LAST_EPOCH = "last epoch"
AGO = "{seconds:.0f} s ago"
NONE_YET = "none yet"
NONE_NOW = "none now"
NOT_KNOWN = "not known yet"
DISTANCE = "rover to base"
HORIZON = "radio horizon"
BEYOND = "out of range"
BEYOND_WHY = "the rover is past the horizon: raise an antenna, or move the base"
KM = "{km:.2f} km"
SETTINGS = "Both ends, as the site file has them"
SETTINGS_WHY = "Read each off the radio's own front panel and compare: this table is only as right as the site file."
SETTING = "setting"
ENDS = ("base", "rover")
RADIO_KEYS = {
    "frequency_mhz": "frequency, MHz",
    "protocol": "protocol",
    "forward_error_correction": "error correction",
    "air_rate_bps": "air rate, bit/s",
    "antenna_above_ground_m": "antenna above ground, m",
}
DIFFERS = "they differ"
NOT_SAID = "not said"
ON = "yes"
OFF = "no"

# Files.
RUNNING = "The running log"
RUNNING_WHY = "A snapshot is one file of all up to now. It takes a minute or so, and its room on the disk."
COPY_MAKE = "Make a snapshot"
COPY_AGAIN = "Make a new one"
COPY_GET = "Fetch the snapshot {size}"
COPYING = "The snapshot is being made: {part:.0f} %. Load this page again to see how far it is."
COPY_BEGUN = "The snapshot is being made."
COPY_ONE = "A snapshot or a bundle is being made already. Nothing was changed."
COPY_FAILED = "The snapshot could not be made: the disk is full or cannot be written."
NO_ROOM = "Not done: under a tenth of the disk would stay free. Fetch closed logs and let the office clear them."
BUNDLE = "For the person on the telephone"
BUNDLE_WHY = (
    "The bundle is one file of all that support asks for: log, site file, set-up, status, versions and journal. Passwords and "
    "the PIN are left out. It takes some minutes, and its room on the disk."
)
BUNDLE_MAKE = "Make the bundle"
BUNDLE_GET = "Fetch the bundle {size}"
BUNDLING = "The bundle is being made: {part:.0f} %. Load this page again to see how far it is."
BUNDLE_BEGUN = "The bundle is being made."
BUNDLE_FAILED = "The bundle could not be made: the disk is full or cannot be written."
TAPE = "The last hour as a tape"
TAPE_WHY = "What came on the lines, as text: the office plays it again."
TAPE_GET = "Fetch the tape"
TAPE_ONE = "Another phone fetches a tape: try again in a minute."
CLOSED = "Closed logs"
CLOSED_WHY = "As they are. One that was cut short goes on where it stopped."
NO_CLOSED = "None yet: a log is closed when the post stops, and once a day."
NO_FILE = "There is no such file."
MEGABYTES = "{size:.1f} MB"

# Help.
LIGHT = "Light:"
SOUND = "Sound:"
HELP_COUNT = "No colours, no pitch: count the flashes. The drawings show six seconds. Dark means dead."
PHONE = "This phone"
PHONE_LINES = (
    "A sleeping phone shows and sounds nothing. The post's own light and sound are what counts.",
    "It vibrates and sounds on a stop only while this page is open, the screen is on, and somebody has touched the page once.",
    "“Not heard” in place of the state: this phone has lost the post. Go nearer, or go by the light.",
)
BLIND = "What this post cannot know"
BLIND_LINES = (
    "A tripod that was kicked, as long as the base says nothing of it.",
    "A mark that was mistaken for another at the base and in the site file alike.",
    "An antenna height that was measured wrongly and typed wrongly the same way.",
    "What the rover's own screen shows, and which points were stored.",
)
CAUTION = "Caution"
CAUTION_LINES = (
    "Its silence is no proof that a point is right. Check in on a known point; the licensed surveyor decides; local codes come "
    "first.",
    "Transmit only on a frequency and with a power that your licence allows, never without an antenna, and keep the distance "
    "from a transmitting antenna that the radio's maker states.",
    "Mind overhead lines when you raise a mast, and take it down in a thunderstorm.",
)

# The printed card.
CARD = "Card of {post}"
CARD_AT = {"base": "at the base", "rover": "at the rover"}
CARD_SIGNALS = "What the light and the sound say"
CARD_COUNT = "Count the flashes; colour and pitch mean nothing. The drawings show six seconds: black is on."
CARD_SETTINGS = "How this job is set up"
CARD_BASE = "Base over {point}"
CARD_BASE_NOWHERE = "Base over a point that is not listed"
CARD_NETWORK = {"network": "Corrections of a network: its station may change", "moving": "A moving base"}
CARD_STATION = "station {numbers}"
CARD_ANY_STATION = "any station"
CARD_ANTENNA = "antenna {height:.3f} m above the mark, vertical"
CARD_EXPECTED = "Expected at the antenna reference point ({frame}):"
CARD_FIRST_DAY = "The first day"
CARD_STEPS = (
    "Set up the base, measure the antenna's height twice, and give point and height on the page under Today.",
    "Wait for one short flash every three seconds. Anything else: open the page, or look at side 1.",
    "Put the rover on a second known point, say so under Check in, and stand still for ten seconds.",
    "Start when it has passed. Check in again after each break, after a change of battery, and at the end.",
    "STOP: store no points. Do the steps on the page in their order, and press Seen.",
)
CARD_STEPS_WITHOUT_PAGE = (
    "Set up the base, measure the antenna's height twice, and write down point and height.",
    "Wait for one short flash every three seconds. Anything else: look at side 1.",
    "Put the rover on a second known point and stand still: two short flashes and a long one, twice, say that it has passed.",
    "Start when it has passed. Check in again after each break, after a change of battery, and at the end.",
    "STOP: store no points. Press the button, if there is one, and ask the office what to check first.",
)
CARD_CONTROL = "Control points"
CARD_MORE_CONTROL = "and {count:,} more in the site file"
CARD_NO_CONTROL = "none in the site file"
CARD_PLACE = {"angles": ("Latitude", "Longitude"), "lengths": ("Easting", "Northing")}
CARD_POINT = "Point"
CARD_HEIGHT = "Height ({unit})"
CARD_WIFI = "1. Join the post's Wi-Fi"
CARD_WIFI_NAME = "Name:"
CARD_WIFI_PASSWORD = "Password:"
CARD_PAGE = "2. Open its page"
CARD_PAGE_ALONE = "Open the post's page"
CARD_NO_PAGE = "This post has no page that a phone can open: [page] in the site file, with a pin, gives it one."
CARD_PAGE_SOMEWHERE = "http://ADDRESS:{port}/ with the post's address in your network"
CARD_PIN = "PIN:"
CARD_MADE = "Made from the site file on {date}; make it again when that changes."
CARD_SIDE = "Side {side} of 2"
