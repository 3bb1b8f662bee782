package simunit

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// FaultKind says what goes wrong once.
type FaultKind string

// Faults of the line and of the unit.
const (
	FaultSilence    FaultKind = "silence"     // no answer, and none for Time
	FaultReset      FaultKind = "reset"       // the unit starts anew instead of answering
	FaultFlip       FaultKind = "flip"        // a bit of the answer is flipped
	FaultLose       FaultKind = "lose"        // the answer is lost, the request was carried out
	FaultDeaf       FaultKind = "deaf"        // the request is lost
	FaultRepeat     FaultKind = "repeat"      // the answer comes twice
	FaultLate       FaultKind = "late"        // the answer comes after Time
	FaultNoise      FaultKind = "noise"       // console text before the answer
	FaultBusy       FaultKind = "busy"        // the unit says busy for Time
	FaultTornCommit FaultKind = "torn commit" // the power dips while a commit is under way
)

// Fault goes wrong at chosen requests.
type Fault struct {
	Kind  FaultKind
	Op    protocol.Op   // only with this request; 0 = with any
	After int           // so many of them go well first
	Times int           // how many go wrong then; 0 = one
	Share float64       // instead of After and Times: chance of each, drawn from the unit's seed
	Time  time.Duration // of FaultSilence, FaultLate and FaultBusy; 0 = 300 ms
}

// LineNoise is a line on which a share of the answers is flipped, lost,
// repeated or late.
func LineNoise(share float64) []Fault {
	return []Fault{
		{Kind: FaultFlip, Share: share}, {Kind: FaultLose, Share: share},
		{Kind: FaultRepeat, Share: share}, {Kind: FaultLate, Share: share},
	}
}

// Faults strike the requests of one unit, in their order. It is not safe for
// concurrent use. A unit has its own; they are here for who lets them happen
// to a unit of another implementation.
type Faults struct {
	all  []Fault
	seen []int // requests that each fault looked at
	r    *rand.Rand
}

// NewFaults draws what is left to chance from a unit's seed.
func NewFaults(seed uint64, all []Fault) *Faults {
	return &Faults{all: slices.Clone(all), seen: make([]int, len(all)), r: stream(seed, streamFaults, 0)}
}

// Add adds a fault, counted from the next request on.
func (f *Faults) Add(more Fault) {
	f.all, f.seen = append(f.all, more), append(f.seen, 0)
}

// Strike returns the faults that hit a request, with their times.
func (f *Faults) Strike(op protocol.Op) []Fault {
	var hit []Fault
	for i, one := range f.all {
		if one.Op != 0 && one.Op != op {
			continue
		}
		n := f.seen[i]
		f.seen[i]++
		if one.Share > 0 {
			if f.r.Float64() >= one.Share {
				continue
			}
		} else if n < one.After || n >= one.After+max(1, one.Times) {
			continue
		}
		if one.Time == 0 {
			one.Time = 300 * time.Millisecond
		}
		hit = append(hit, one)
	}
	return hit
}

// Flip returns a packet with one bit flipped. Not in the delimiters: a packet
// that never ends is another fault.
func (f *Faults) Flip(packet []byte) []byte {
	bad := bytes.Clone(packet)
	bit := f.r.IntN(8 * (len(bad) - 2))
	bad[1+bit/8] ^= 1 << (bit % 8)
	return bad
}

// Noise is the console text of FaultNoise.
const Noise = "~ supply dip, 3 restarts since mounting\r\n"

// Break adds a fault, counted from the next request on.
func (u *Unit) Break(f Fault) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.faults.Add(f)
}
