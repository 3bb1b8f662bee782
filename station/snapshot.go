package station

import "time"

// Snapshot is everything a screen may show, at one moment. It shares nothing
// with the machine: any goroutine may read it, nobody may change it.
type Snapshot struct {
	At       time.Time
	Station  string
	Operator string
	Order    string // work order, "" for none
	Purpose  Purpose
	Product  string
	Signed   bool // every file in force was signed

	Hands    Hands      // the one thing the hands do now
	Label    string     // the open label, "" when none
	Nests    []NestView // in the order of the station sheet
	Counters Counters
	Stops    []Stop
	Standing []Message // what is to be known until it no longer holds
	Messages []Message // newest last, at most MaxMessages
	Closing  bool      // the station is on its way out
	Closed   bool      // nothing is awaited any more
}

// MaxMessages is how many messages a snapshot keeps.
const MaxMessages = 8

// Hands is the one thing the operator's hands do now: a code of [Codes] with
// what its sentence names. Nest is the index of the nest it speaks of, or
// NoNest.
type Hands struct {
	Nest int
	Code Code
	Args Args
}

// NestView is one nest as a screen shows it.
type NestView struct {
	Name    string
	Step    Step
	Label   string // label as scanned, "" when the nest holds no labelled unit
	Serial  string
	Purpose Purpose
	UnitID  string // the unit's own identity, "" when it has not told
	Attempt int    // 0 before the attempt begins
	Try     int    // which try of the capture in hand, 1 for the first

	// Progress of the capture in hand, in shots; Total is 0 where nothing is
	// counted. Waiting: another nest of the light group captures.
	Done, Total int64
	Waiting     bool
	// Remaining is the time left until the hands are needed again, learned
	// from earlier units, measured from Snapshot.At; negative when not known.
	Remaining time.Duration

	Trouble *Message // what stands in the way now: a capture fault, a refusal
	Verdict *Verdict // until the unit has been taken out
}

// Counters count the station's work since the operator signed on. Only
// production counts.
type Counters struct {
	Units       int     // judged attempts, first and later
	Passed      int     // of these
	Failed      int     // of these
	Held        int     // units put on hold, whatever their outcome
	First       int     // units judged at attempt 1
	FirstPassed int     // of these
	OpenHolds   int     // units on hold now, as far as the newest records tell
	Bins        []Tally // failed units by soft bin, most first
	PerHour     float64 // units over the last hour (or since the first, if later); NaN while that says nothing
}

// Tally counts the units of one soft bin.
type Tally struct {
	SoftBin int
	Name    string
	Units   int
}

// FirstPassYield is FirstPassed over First, and false before the first unit.
func (c Counters) FirstPassYield() (float64, bool) {
	if c.First == 0 {
		return 0, false
	}
	return float64(c.FirstPassed) / float64(c.First), true
}

// Stop says that a nest, or with NoNest the station, may not run.
type Stop struct {
	Nest  int
	Code  Code
	Args  Args
	Since time.Time
}

// Message is something said once. Nest is NoNest when it concerns the
// station.
type Message struct {
	At   time.Time
	Nest int
	Code Code
	Args Args
}

// NoNest stands for the station where an index of a nest is wanted.
const NoNest = -1
