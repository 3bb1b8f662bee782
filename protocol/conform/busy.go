package conform

import (
	"fmt"
	"os"
	"runtime"
)

// Busy says whether more threads want to run on this machine than it has
// processors for, by what Linux says of them; elsewhere never. It is for
// [Options].Busy.
func Busy() bool {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return false
	}
	var load1, load5, load15 float64
	var running int // threads, this one among them
	if _, err := fmt.Sscanf(string(text), "%f %f %f %d/", &load1, &load5, &load15, &running); err != nil {
		return false
	}
	cpus := runtime.NumCPU()
	return running > cpus+1 || load1 > 2*float64(cpus)
}
