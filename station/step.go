package station

// Step is what a nest is doing or waiting for. In each step a nest awaits at
// most one answer and one timeout.
type Step uint8

// The steps, in the order of a unit's way.
const (
	Opening        Step = iota // port being opened
	Vacant                     // nothing answers: no unit
	Unlabelled                 // a unit answers that no label was scanned for
	Expected                   // the label is for this nest, no unit answers yet
	Greeting                   // status of the unit awaited
	Reading                    // block found in the unit awaited
	Recalling                  // history of label and unit awaited
	Confirming                 // the operator must say that a passed unit runs again
	Asking                     // the gate is asked
	Delayed                    // the gate did not answer; watched, then asked again
	Refusing                   // refusal being made durable
	Intending                  // attempt intent being made durable
	Voiding                    // old block being voided
	Warming                    // until the unit's temperature has settled
	Emptying                   // fixture moves the target out
	Clearing                   // after a bad empty capture: watching for a change of the field
	EmptyCapture               // empty field captured
	EmptyEstimate              // leakage computed
	Guarded                    // the lid is open where the fixture is to move: hands close it and say so
	Moving                     // fixture moves the target in
	Targeting                  // watching for the target to arrive
	TargetCapture              // target captured
	RangesCapture              // target captured again as the unit's own ranges
	TargetEstimate             // offsets computed
	WriteIntending             // write intent being made durable
	Writing                    // constants staged and committed
	Restarting                 // unit restarted, so that it loads what it stores
	ReadingBack                // constants read back
	VerifyCapture              // fresh capture with the constants on
	VerifyEstimate             // verification computed
	Halting                    // emitter stop awaited on a way out
	Saving                     // raw captures being made durable
	Recording                  // result being made durable
	Releasing                  // released mark being put into the unit
	Changing                   // change of disposition being made durable
	Showing                    // verdict shown until the unit is taken out
	Turned                     // refused unit waits to be taken out
	Rejecting                  // failed unit's label awaited at the reject box
	Stopped                    // the nest may not run
	Ended                      // nothing more happens in this nest
	steps
)

// stepTable has a line for each step. Names stand on record, and so are never
// changed: testdata/names.txt.
var stepTable = [steps]struct {
	name  string // the constant's, in words
	works bool   // the station works by itself, as for every unit; how long it takes is learned
}{
	Opening:        {name: "opening"},
	Vacant:         {name: "vacant"},
	Unlabelled:     {name: "unlabelled"},
	Expected:       {name: "expected"},
	Greeting:       {name: "greeting", works: true},
	Reading:        {name: "reading", works: true},
	Recalling:      {name: "recalling", works: true},
	Confirming:     {name: "confirming"},
	Asking:         {name: "asking"},
	Delayed:        {name: "delayed"},
	Refusing:       {name: "refusing"},
	Intending:      {name: "intending", works: true},
	Voiding:        {name: "voiding", works: true},
	Warming:        {name: "warming"},
	Emptying:       {name: "emptying", works: true},
	Clearing:       {name: "clearing"},
	EmptyCapture:   {name: "empty capture", works: true},
	EmptyEstimate:  {name: "empty estimate", works: true},
	Guarded:        {name: "guarded"},
	Moving:         {name: "moving", works: true},
	Targeting:      {name: "targeting"},
	TargetCapture:  {name: "target capture", works: true},
	RangesCapture:  {name: "ranges capture", works: true},
	TargetEstimate: {name: "target estimate", works: true},
	WriteIntending: {name: "write intending", works: true},
	Writing:        {name: "writing", works: true},
	Restarting:     {name: "restarting", works: true},
	ReadingBack:    {name: "reading back", works: true},
	VerifyCapture:  {name: "verify capture", works: true},
	VerifyEstimate: {name: "verify estimate", works: true},
	Halting:        {name: "halting"},
	Saving:         {name: "saving", works: true},
	Recording:      {name: "recording", works: true},
	Releasing:      {name: "releasing", works: true},
	Changing:       {name: "changing"},
	Showing:        {name: "showing"},
	Turned:         {name: "turned"},
	Rejecting:      {name: "rejecting"},
	Stopped:        {name: "stopped"},
	Ended:          {name: "ended"},
}

// String returns the step's name, stable for records and goldens.
func (s Step) String() string {
	if s < steps {
		return stepTable[s].name
	}
	return "unknown"
}

// Steps returns every step in order. The slice is the caller's.
func Steps() []Step {
	all := make([]Step, steps)
	for i := range all {
		all[i] = Step(i)
	}
	return all
}
