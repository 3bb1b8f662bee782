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
	UnknownCommand Code = "unknown-command" // Text
	NothingToSkip  Code = "nothing-to-skip" // no attempt where the hands are
	SkipAgain      Code = "skip-again"      // the same again ends the attempt in Nest
	Settled        Code = "settled"         // Settings hold from now on
	Noted          Code = "noted"           // the message is on record
	Reworked       Code = "reworked"        // rework Text of Label is on record
	NotRecorded    Code = "not-recorded"    // could not be put on record, for the reason in Text
	ScannerLost    Code = "scanner-lost"    // the scanner's port
	ScannerBack    Code = "scanner-back"
)

// Codes returns every code. The slice is the caller's.
func Codes() []Code {
	return []Code{BadBadge, BadNumber, BadOrder, BadLot, UnitLabel, PageFirst, NoLabelOpen, UnknownCommand, NothingToSkip, SkipAgain, Settled, Noted, Reworked,
		NotRecorded, ScannerLost, ScannerBack}
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
