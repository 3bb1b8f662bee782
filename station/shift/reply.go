package shift

// Code says what a Reply says. Whoever shows it has a sentence for each of
// [Codes].
type Code string

// The codes. Behind each stands which fields of a Reply it names.
const (
	BadBadge       Code = "bad-badge"       // Text is no badge
	BadNumber      Code = "bad-number"      // Text is no number of units
	BadOrder       Code = "bad-order"       // Text is no work order
	BadLot         Code = "bad-lot"         // Text is no lot
	UnitLabel      Code = "unit-label"      // Text is a unit's label, and neither order nor lot
	PageFirst      Code = "page-first"      // a page is up: Text was not taken
	NoLabelOpen    Code = "no-label-open"   // a rework code without a unit
	BadRework      Code = "bad-rework"      // Text is none of the codes in Label
	UnknownCommand Code = "unknown-command" // Text
	NothingToSkip  Code = "nothing-to-skip" // no attempt where the hands are
	SkipAgain      Code = "skip-again"      // the same again ends the attempt in Nest
	NoEmitter      Code = "no-emitter"      // no emitter is in doubt
	PowerAgain     Code = "power-again"     // the same again says that Nest has no power
	Relabelled     Code = "relabelled"      // Text is the label of the unit of Label from now on
	NoUnitLabel    Code = "no-unit-label"   // Text is no unit's label
	LabelUsed      Code = "label-used"      // label Text is on record already
	LabelUnknown   Code = "label-unknown"   // label Text is not on record
	BoxOpen        Code = "box-open"        // good units go into box Text
	BoxAgain       Code = "box-again"       // box Text is open already, or full
	Settled        Code = "settled"         // Settings hold from now on
	Noted          Code = "noted"           // the message is on record
	Reworked       Code = "reworked"        // rework Text of Label is on record
	PutOnHold      Code = "put-on-hold"     // the unit of label Text is on hold
	NotRecorded    Code = "not-recorded"    // could not be put on record, for the reason in Text
	ScannerLost    Code = "scanner-lost"    // the scanner's port
	ScannerBack    Code = "scanner-back"

	// With a roster.
	UnknownBadge  Code = "unknown-badge"   // nobody's
	NotValid      Code = "not-valid"       // the person in Text may not work here any more
	NoOperator    Code = "no-operator"     // the person in Text is no operator
	NoLead        Code = "no-lead"         // the person in Text may not allow this
	TrainingEnded Code = "training-ended"  // of the person in Text
	BadgeBarred   Code = "badge-barred"    // until the time in Text
	PINScanned    Code = "pin-scanned"     // it has to be typed
	PINForm       Code = "pin-form"        // what was entered is none
	PINWrong      Code = "pin-wrong"       // Text more may be
	PINClosed     Code = "pin-closed"      // it was asked for too long
	NothingToLift Code = "nothing-to-lift" // the stop has ended
	TrainingEnds  Code = "training-ends"   // the training, or the badge, of who signed on: Text days more
)

// Codes returns every code. The slice is the caller's.
func Codes() []Code {
	return []Code{BadBadge, BadNumber, BadOrder, BadLot, UnitLabel, PageFirst, NoLabelOpen, BadRework, UnknownCommand, NothingToSkip, SkipAgain, NoEmitter, PowerAgain, Relabelled, NoUnitLabel, LabelUsed, LabelUnknown, BoxOpen, BoxAgain, Settled, Noted, Reworked, PutOnHold,
		NotRecorded, ScannerLost, ScannerBack,
		UnknownBadge, NotValid, NoOperator, NoLead, TrainingEnded, BadgeBarred, PINScanned, PINForm, PINWrong, PINClosed, NothingToLift, TrainingEnds}
}

// Reply is what the shift says to what was entered; the zero value says
// nothing. Done: what was asked for is done and on record; otherwise the reply
// wants attention.
type Reply struct {
	Code     Code
	Text     string
	Label    string
	Nest     string // its name
	Settings Settings
	Done     bool
}
