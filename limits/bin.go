package limits

// The dispositions: what happens with a unit.
const (
	Release = "release"
	Rework  = "rework"
	Hold    = "hold"
	Scrap   = "scrap"
)

// The outcomes of an attempt, as far as a bin fixes them.
const (
	OutcomePassed  = "passed"
	OutcomeFailed  = "failed"  // the unit's fault
	OutcomeError   = "error"   // says nothing about the unit; not in yield
	OutcomeAborted = "aborted" // ended by a person or by shutdown
)

// The reserved bins: reached by what the station found, not by a limit. A
// file may replace each under [bin.NAME]; NotMeasured, NoAnswer and Verify may
// be named by limits too.
const (
	Passed      = "passed"       // every limit held
	NotMeasured = "not_measured" // a quantity with a limit is absent, nothing worse found
	NoAnswer    = "no_answer"    // the unit does not answer
	Verify      = "verify"       // the unit did not keep or does not use its constants
	Label       = "label"        // label and unit contradict each other
	Capture     = "capture"      // no good capture within the tries allowed
	Aborted     = "aborted"      // ended by a person or by shutdown
)

// Bin is one soft bin.
type Bin struct {
	Name        string // key in the file
	Number      int    // from 1
	Text        Text   // for people; the name with spaces where the file gives none
	Code        string // short, for screen and script
	Hard        HardBin
	Disposition string
	Priority    int    // the smallest of those reached holds; a limits file has each once
	Instruction Text   // one sentence for the hands; a limit may have its own
	Outcome     string // fixed by the reserved names, else failed
}

// HardBin is where a unit physically goes.
type HardBin struct {
	Name   string
	Number int // from 1
	Text   Text
}

// Box says which hard bin has a number, "" where none has.
func (f *File) Box(number int) Text {
	for _, b := range f.Bins {
		if b.Hard.Number == number {
			return b.Hard.Text
		}
	}
	return Text{}
}

func outcome(bin string) string {
	switch bin {
	case Passed:
		return OutcomePassed
	case Label, Capture:
		return OutcomeError
	case Aborted:
		return OutcomeAborted
	}
	return OutcomeFailed
}

// reservedBins are the defaults. Their priorities come after those of any
// reason that a limit gives: a unit with a dirty window whose target was then
// not measured is a unit with a dirty window.
func reservedBins() map[string]binTable {
	const hold, call = "Put the unit in the hold box.", "Put the unit in the hold box and call the line lead."
	const esHold, esCall = "Ponga la unidad en la caja de retenidas.", "Ponga la unidad en la caja de retenidas y llame al jefe de línea."
	const deHold, deCall = "Gerät in die Sperrbox legen.", "Gerät in die Sperrbox legen und Linienleitung rufen."
	return map[string]binTable{
		Passed: {Number: 1, Code: "PASS", Hard: Release, Disposition: Release, Priority: 1_000_000,
			Instruction: "Take the unit out, put it on the belt.", // the screen says already that it is taken out
			EN:          binWords{"", "Put it on the belt."},
			ES:          binWords{"aprobada", "Póngala en la cinta."},
			DE:          binWords{"gut", "Auf das Band legen."}},
		NotMeasured: {Number: 90, Code: "N-MEAS", Hard: Hold, Disposition: Hold, Priority: 1_000_002, Instruction: hold,
			ES: binWords{"no medida", esHold}, DE: binWords{"nicht gemessen", deHold}},
		Verify: {Number: 91, Code: "VERIFY", Hard: Hold, Disposition: Hold, Priority: 1_000_001, Instruction: hold,
			EN: binWords{"checks wrong", ""}, ES: binWords{"mal al comprobar", esHold}, DE: binWords{"Nachprüfung", deHold}},
		NoAnswer: {Number: 92, Code: "N-ANSW", Hard: Hold, Disposition: Hold, Priority: 1_000_003, Instruction: hold,
			ES: binWords{"no responde", esHold}, DE: binWords{"keine Antwort", deHold}},
		Label: {Number: 93, Code: "LABEL", Hard: Hold, Disposition: Hold, Priority: 1_000_004, Instruction: call,
			ES: binWords{"etiqueta", esCall}, DE: binWords{"Etikett", deCall}},
		Capture: {Number: 94, Code: "CAPT", Hard: Hold, Disposition: Hold, Priority: 1_000_005, Instruction: call,
			EN: binWords{"no good capture", ""}, ES: binWords{"captura", esCall}, DE: binWords{"Aufnahme", deCall}},
		Aborted: {Number: 95, Code: "ABORT", Hard: Hold, Disposition: Hold, Priority: 1_000_006, Instruction: hold,
			ES: binWords{"abortada", esHold}, DE: binWords{"abgebrochen", deHold}},
	}
}

// defaultHardBins has one box per disposition.
func defaultHardBins() map[string]hardBinTable {
	return map[string]hardBinTable{Release: {Number: 1}, Rework: {Number: 2}, Hold: {Number: 3}, Scrap: {Number: 4}}
}
