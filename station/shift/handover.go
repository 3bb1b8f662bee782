package shift

import (
	"time"

	"example.org/panecal/station"
)

// HandOver is what one person leaves to the next: who worked from when to
// when, on what, what came of it, and what is still open.
type HandOver struct {
	Person   string
	From, To time.Time
	Settings Settings
	Counters station.Counters
	Takt     float64 // units an hour that are wanted, 0 for none
	Stops    []station.Stop
	Standing []station.Message
}
