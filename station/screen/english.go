package screen

import (
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/shift"
)

// english is the language in which the station itself speaks: the sentences
// of its codes come from its own table.
func english() *Language {
	l := &Language{name: "en", codes: map[station.Code]saying{}}
	for _, m := range station.Codes() {
		l.codes[m.Code] = saying{m.Sentence, m.Action}
	}
	l.calls = map[station.Code][2]string{
		station.HandsScan:          {"SCAN THE", "NEXT LABEL"},
		station.HandsSeat:          {"PUT THE UNIT", "INTO {nest}"},
		station.HandsSeatHere:      {"PUT THE UNIT", "INTO {nest}"},
		station.HandsReseat:        {"RESEAT UNIT", "IN {nest}"},
		station.HandsTakeOut:       {"UNIT OUT, {nest}", "SCAN, PUT BACK"},
		station.HandsClear:         {"TARGET AWAY", "FROM {nest}"},
		station.HandsLid:           {"CLOSE LID", "OF {nest}"},
		station.HandsTarget:        {"BRING TARGET", "TO {nest}"},
		station.HandsTargetIn:      {"TARGET TO {nest}", "THEN LET GO"},
		station.HandsWait:          {"HANDS OFF", "MEASURING"},
		station.HandsConfirm:       {"PASSED BEFORE", "SCAN TO RERUN"},
		station.HandsPassed:        {"✓ PASS  BIN {bin}", "UNIT OUT, {nest}"},
		station.HandsFailed:        {"✗ FAIL  BIN {bin}", "UNIT OUT, {nest}"},
		station.HandsHeld:          {"‖ HOLD  BIN {bin}", "UNIT OUT, {nest}"},
		station.HandsChecked:       {"✓ CHECK PASS", "UNIT OUT, {nest}"},
		station.HandsCheckBad:      {"✗ CHECK FAIL", "UNIT OUT, {nest}"},
		station.HandsTurned:        {"TAKE UNIT OUT", "OF {nest}"},
		station.HandsReject:        {"SCAN LABEL", "AT BIN {bin}"},
		station.HandsStopped:       {"STOPPED", "CALL FOR HELP"},
		station.HandsStarting:      {"STARTING", "PLEASE WAIT"},
		station.HandsLeaving:       {"CLOSING", "PLEASE WAIT"},
		station.HandsEmitter:       {"CUT THE POWER", "OF {nest}"},
		station.HandsBoxFull:       {"BOX FULL", "SCAN NEXT BOX"},
		station.HandsBoxOpen:       {"OPEN A BOX", "SCAN ITS NUMBER"},
		station.HandsBoxScan:       {"SCAN LABEL", "AT THE BOX"},
		station.RefusedBox:         {"BOX FULL", "SCAN NEXT BOX"},
		station.HandsStray:         {"{label}", "HOLD, UNIT OUT"},
		station.HandsNoPorts:       {"NO PORTS", "CALL FOR HELP"},
		station.RefusedLabel:       {"NOT A UNIT LABEL", "SCAN AGAIN"},
		station.RefusedCapsLock:    {"CAPS LOCK ON", "SWITCH IT OFF"},
		station.RefusedLayout:      {"WRONG KEYBOARD", "CALL THE LEAD"},
		station.RefusedLabelBusy:   {"THIS LABEL IS", "IN {nest}"},
		station.RefusedNest:        {"NO SUCH NEST", "SCAN AGAIN"},
		station.RefusedNestBusy:    {"{nest} IS FULL", "TAKE UNIT OUT"},
		station.RefusedNoNest:      {"NO EMPTY NEST", "TAKE ONE OUT"},
		station.RefusedLabelReject: {"NOT THAT UNIT", "SCAN THE OTHER"},
	}
	l.retorts = map[shift.Code][2]string{
		shift.BadBadge:       {"NOT A BADGE", "SCAN AGAIN"},
		shift.BadNumber:      {"NOT A NUMBER", "ENTER IT AGAIN"},
		shift.BadOrder:       {"NOT AN ORDER", "SCAN AGAIN"},
		shift.BadLot:         {"NOT A LOT", "SCAN AGAIN"},
		shift.UnitLabel:      {"A UNIT LABEL", "SCAN ANOTHER"},
		shift.PageFirst:      {"NOT TAKEN", "ANSWER THIS"},
		shift.UnknownCommand: {"NO SUCH COMMAND", "SCAN AGAIN"},
		shift.BadRework:      {"NOT THAT CODE", "SCAN AGAIN"},
		shift.NoLabelOpen:    {"SCAN THE LABEL", "THEN THE CODE"},
	}
	l.steps = map[station.Step]string{
		station.Opening:        "opening its port",
		station.Vacant:         "empty",
		station.Unlabelled:     "no label yet",
		station.Expected:       "waits for unit",
		station.Greeting:       "reading the unit",
		station.Reading:        "reading the unit",
		station.Recalling:      "looking it up",
		station.Confirming:     "passed before",
		station.Asking:         "asking to start",
		station.Delayed:        "waits for line",
		station.Refusing:       "writing record",
		station.Intending:      "writing record",
		station.Voiding:        "voiding old data",
		station.Emptying:       "target moves out",
		station.Clearing:       "field not empty",
		station.EmptyCapture:   "1/4 empty field",
		station.EmptyEstimate:  "computing",
		station.Warming:        "warming up",
		station.Guarded:        "lid is open",
		station.Moving:         "target moves in",
		station.Targeting:      "waits for target",
		station.TargetCapture:  "2/4 target",
		station.RangesCapture:  "2/4 target",
		station.TargetEstimate: "computing",
		station.WriteIntending: "writing record",
		station.Writing:        "3/4 write",
		station.Restarting:     "3/4 restart",
		station.ReadingBack:    "3/4 read back",
		station.VerifyCapture:  "4/4 verify",
		station.VerifyEstimate: "computing",
		station.Halting:        "emitter off",
		station.Saving:         "writing record",
		station.Recording:      "writing record",
		station.Releasing:      "marking the unit",
		station.Changing:       "writing record",
		station.Showing:        "take it out",
		station.Turned:         "take it out",
		station.Rejecting:      "scan at its bin",
		station.Stopped:        "stopped",
		station.Ended:          "closed",
	}
	l.pages = map[shift.PageKind]pageText{
		shift.BadgePage: {[2]string{"SCAN YOUR", "BADGE"}, "Scan your badge to sign on.", nil},
		shift.CautionPage: {[2]string{"READ, THEN", "PRESS ENTER"}, "Press Enter when you have read this; that goes on record.", []string{
			"Invisible laser radiation: treat the emitters as on while a unit has power. Do not look into them, least of all with a lens.",
			"Moving fixtures: keep your hands out while a nest works.",
			"Static electricity: handle open units only with your wrist strap on.",
			"Local rules and the site's laser safety officer decide."}},
		shift.OrderPage:    {[2]string{"SCAN THE", "WORK ORDER"}, "Scan the work order.", []string{"Enter keeps what is there."}},
		shift.QuantityPage: {[2]string{"HOW MANY", "UNITS"}, "Scan or type how many units the work order has.", []string{"Enter keeps what is there."}},
		shift.WindowPage:   {[2]string{"SCAN LOT", "OF WINDOWS"}, "Scan the lot of the windows.", []string{"Enter keeps what is there."}},
		shift.GasketPage:   {[2]string{"SCAN LOT", "OF GASKETS"}, "Scan the lot of the gaskets.", []string{"Enter keeps what is there."}},
		shift.EmitterPage:  {[2]string{"SCAN LOT", "OF EMITTERS"}, "Scan the lot of the emitters.", []string{"Enter keeps what is there."}},
		shift.NotePage:     {[2]string{"TYPE YOUR", "MESSAGE"}, "Type a message for the test engineer, then Enter. Enter alone leaves none.", nil},
		shift.HelpPage: {[2]string{"HELP", "ENTER: GO ON"}, "Press Enter to go on.", []string{
			"Scan a label, put its unit into an empty nest, do what the big letters say.",
			"Enter, Space, the pedal or the label CMD GO: go on. Ctrl-X twice or CMD SKIP twice: end an attempt, on record.",
			"CMD ORDER: other order or lots. CMD NOTE: message to the engineer. CMD REWORK and a code: the open unit was mended. CMD UNREADABLE: a label cannot be read.",
			"CMD HOLD and a reason: hold the open unit. CMD HOLDS: units on hold. CMD FIGURES: how the shift goes. CMD PAUSE: pause.",
			"CMD OFF: sign off. Ctrl-Q twice: close the station."}},
		shift.PINPage:      {[2]string{"TYPE YOUR", "PIN"}, "Type your six digits, then Enter. Enter alone leaves.", nil},
		shift.HoldsPage:    {[2]string{"ON HOLD", "ENTER: GO ON"}, "These units are on hold. Enter goes on.", nil},
		shift.HandOverPage: {[2]string{"SIGNED OFF", "THANK YOU"}, "Press Enter, then the next operator scans a badge.", nil},
	}
	l.words = words{
		nest: "nest {name}", or: " or ",
		pass: "PASS", fail: "FAIL", hold: "HOLD",
		release: "release", rework: "rework", aside: "hold", scrap: "scrap",
		bin: "bin {bin}", shownAgain: "shown again", record: "record {n}",
		unit: "1 unit", units: "{n} units", firstPass: "first pass {n} %", perHour: "{n}/h", now: ", now in {where}", inBox: "box {box}", takt: "takt {n}/h",
		failed: "{n} failed", onHold: "{n} on hold", openHolds: "holds still open: {n}", reasons: "Most frequent: {list}",
		unsigned: "unsigned files", audit: "AUDIT", check: "CHECK UNITS", checkUnit: "check unit", study: "STUDY", engineered: "ENGINEERING",
		entry: "Label: ", open: "Open: ", keys: "Enter: go on   Ctrl-X: skip   Ctrl-Q twice: leave",
		waits: "waits its turn", attempt: "attempt {n}", try: "try {n}", left: "{n} s left", seconds: "{n} s",
		typeLabel: "Type a label:", more: "and {n} more", enlarge: "Enlarge this window to {w} x {h}.",
		stop: "STOP: ", hint: "Label to type: ",
		leaveHow:  "To leave, press Ctrl-Q twice; to end an attempt, Ctrl-X twice.",
		leaveCall: "CTRL-Q AGAIN / TO LEAVE", skipCall: "ONCE MORE / ENDS {nest}",
		leaveAgain: "Press Ctrl-Q again to leave.",
		oneRuns:    "1 attempt runs and would end as aborted.", manyRun: "{n} attempts run and would end as aborted.",
		nothingToSkip: "There is no attempt to end where the hands are now.",
		skipAgain:     "End the attempt in {nest}, on record as aborted? The same again ends it.",
		busy:          "The station is busy and did not take this. Wait, then scan again.",
		pageEntry:     "Entry: ", pageKeys: "Enter: go on   Ctrl-Q twice: leave",
		badRework: "There is no rework {text} here; there is {list}.",
		noEmitter: "No emitter is in doubt.", powerAgain: "Is the power of {nest} cut? The same again says so, on record.",
		badOrder: "This is no work order: {text}.", badLot: "This is no lot: {text}.", unitLabel: "This is the label of a unit: {text}.",
		last: "last unit", lastUnits: "Last units", from: "OUT OF {nest}",
		badBadge: "This is no badge: {text}.", badNumber: "This is no number of units: {text}.", pageFirst: "Answer this first; {text} was not taken.",
		noLabelOpen: "Scan the unit's label first, then the rework code.", unknownCommand: "There is no command {text}.",
		noted: "The message is on record.", reworked: "Rework {text} of {label} is on record; scan and seat it.",
		scannerLost: "The scanner is not connected; the keyboard works on.", scannerBack: "The scanner is connected again.", notRecorded: "This could not be put on record: {text}.",
		notMeasured: "{name} was not measured", outOfLimits: "{name} is out of limits", between: "{low} to {high}",
		seen:      "label {label}, unit {unit}, {time}, {nest}, bin {bin}",
		character: "character {n} of {text} is {c}", endsAfter: "{text} ends after {n} characters",
		settings: "Work order {order}, {n} units. Lots: windows {window}, gaskets {gasket}, emitters {emitter}.",
		handOver: "{operator}, {from} to {to}",
	}
	l.codes[station.FailedLimits] = saying{"{detail}.", l.codes[station.FailedLimits].do}
	l.quantities = map[quantity.Name]outside{}
	for name, q := range quantityTable {
		l.quantities[name] = q.en
	}
	l.because = map[station.Reason]string{}
	for _, r := range station.Reasons() {
		l.because[r] = r.Text()
	}
	l.whys = map[label.Why]string{}
	for _, why := range label.Whys() {
		l.whys[why] = string(why)
	}
	l.faults = faultTexts
	l.layouts = map[label.Layout]string{label.German: "German", label.French: "French", label.Spanish: "Spanish"}
	l.withFigures(figuresEnglish())
	l.withPeople(peopleEnglish())
	return l
}
