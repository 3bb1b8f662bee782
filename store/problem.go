package store

// Fault is the kind of a problem that a check found; scripts go by it.
type Fault string

// The faults.
const (
	Damaged       Fault = "damaged"        // bytes are not what was written
	RolledBack    Fault = "rolled_back"    // an older copy stands in the log's place
	Rewritten     Fault = "rewritten"      // a record is whole, and not the one that was acknowledged
	Forked        Fault = "forked"         // the log went on twice from one record
	MemoryMissing Fault = "memory_missing" // what this computer remembers of the log is gone
	Witnessed     Fault = "witness"        // a unit or a checkpoint says otherwise, or cannot be believed
)

// Problem is one thing that a check found: of what kind, where, and in which
// record, 0 where it is in none.
type Problem struct {
	Fault  Fault
	Record uint64
	DamageError
}

// Error says place and damage. A Problem is returned by pointer.
func (p *Problem) Error() string { return p.DamageError.Error() }

// Witness is somebody outside the log's own chain who remembers a record of
// it, and whether the log agrees.
type Witness struct {
	Kind     string // "head", "memory", "checkpoint", "backup", "reader", "unit", "log"
	Where    string // the file it was read from
	Sequence uint64 // of the record that it remembers
	Agrees   bool
}
