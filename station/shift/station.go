package shift

import (
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Station is what the people need of the station that runs; *runner.Runner is
// one. Its methods may be called from any goroutine.
type Station interface {
	Snapshot() station.Snapshot

	// Append puts a record into the log. When it returns nil, the record
	// survives a power cut.
	Append(record.Body) (record.Ref, error)

	Scan(nest int, text string)
	Go(nest int)
	Skip(nest int)
	Crew(station.Crew)
	TakeUp(*station.Files)
}
