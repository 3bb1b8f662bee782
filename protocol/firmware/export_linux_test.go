package firmware

import (
	"os"
	"time"
)

// Process is the program's.
func (l *Lockstep) Process() *os.Process { return l.process.Process }

// HurryUp says how long the program may compute.
func (l *Lockstep) HurryUp(d time.Duration) { l.patient = d }
