package protocol

import (
	"errors"
	"math"
)

// Table is what a fetch reads from: rows are zones, columns depend.
type Table uint8

// Tables of a capture.
const (
	BinTable   Table = 1 // Histograms, EvenLight; a column per bin
	TotalTable Table = 2 // all but Ranges; one column
	FrameTable Table = 3 // all but Ranges; a column per frame: that frame's zone total
	RangeTable Table = 4 // Ranges; one column
)

// Fetch asks for Count values of a table, counted from (Zone, First) row
// after row. The unit answers with as many of them as it likes, at least
// one, as many as fit if it can; the station asks again for the rest.
type Fetch struct {
	Capture uint32
	Table   Table
	Zone    int // first zone, from 0
	First   int // first column in that zone, from 0
	Count   int // values
}

func (*Fetch) Op() Op { return OpFetch }
func (q *Fetch) fields(f *form) {
	num(f, 1, &q.Capture, 1, math.MaxUint32)
	num(f, 2, &q.Table, 1, 4)
	num(f, 3, &q.Zone, 0, MaxZones-1)
	num(f, 4, &q.First, 0, MaxBins-1)
	num(f, 5, &q.Count, 1, maxValues)
}

// Values is the answer to a fetch: the asked values zone by zone, the first
// part beginning at (Zone, First), each further one at column 0 of the next
// zone.
type Values struct {
	Capture uint32
	Table   Table
	Zone    int
	First   int
	Counts  [][]uint32  // all tables but RangeTable: one part a zone
	Ranges  []RangeZone // RangeTable: one a zone
}

// Len returns the number of values.
func (v *Values) Len() int {
	n := len(v.Ranges)
	for _, part := range v.Counts {
		n += len(part)
	}
	return n
}

func (v *Values) fields(f *form) {
	num(f, 1, &v.Capture, 1, math.MaxUint32)
	num(f, 2, &v.Table, 1, 4)
	num(f, 3, &v.Zone, 0, MaxZones-1)
	num(f, 4, &v.First, 0, MaxBins-1)
	switch {
	case f.decoding && v.Table == RangeTable:
		f.items(5, func(b []byte) ([]byte, error) {
			z, rest, err := readRangeZone(b)
			v.Ranges = append(v.Ranges, z)
			return rest, err
		})
	case f.decoding:
		f.items(5, func(b []byte) ([]byte, error) {
			part, rest, err := readTyped(b)
			if err == nil && len(part) == 0 {
				err = errors.New("empty part")
			}
			v.Counts = append(v.Counts, part)
			return rest, err
		})
	case v.Table == RangeTable:
		f.put(5)
		f.out = appendHead(f.out, majorArray, uint64(len(v.Ranges)))
		for _, z := range v.Ranges {
			f.out = z.append(f.out)
		}
	default:
		f.put(5)
		f.out = appendHead(f.out, majorArray, uint64(len(v.Counts)))
		for _, part := range v.Counts {
			f.out = appendTyped(f.out, part)
		}
	}
	if v.Len() == 0 {
		f.fail(5, "no values")
	}
}

const (
	valuesOverhead = 48 // envelope, keys and heads of an answer with values
	partOverhead   = 5  // tag and head of one part
)

// Answer fills in the counts that q asks for and that fit a payload of
// maxOut bytes. The table has the given number of columns and at(zone,
// column) for its counts; q must lie inside it, else nil is returned and the
// unit refuses with [CodeBadArgument].
func (q *Fetch) Answer(zones, columns, maxOut int, at func(zone, column int) uint32) *Values {
	if q.Zone >= zones || q.First >= columns || q.Count > (zones-q.Zone)*columns-q.First {
		return nil
	}
	v := &Values{Capture: q.Capture, Table: q.Table, Zone: q.Zone, First: q.First}
	room, left := maxOut-valuesOverhead, q.Count
	column := q.First
	for zone := q.Zone; left > 0 && room > partOverhead; zone++ {
		n := min(left, columns-column)
		part := make([]uint32, n)
		for i := range part {
			part[i] = at(zone, column+i)
		}
		size := width(part)
		fit := min(n, (room-partOverhead)/size)
		if fit == 0 {
			break
		}
		v.Counts = append(v.Counts, part[:fit])
		room -= partOverhead + fit*size
		left -= fit
		if fit < n {
			break
		}
		column = 0
	}
	return v
}

// AnswerRanges is like Answer, for ranges.
func (q *Fetch) AnswerRanges(zones []RangeZone, maxOut int) *Values {
	if q.Zone >= len(zones) || q.First != 0 || q.Count > len(zones)-q.Zone {
		return nil
	}
	v := &Values{Capture: q.Capture, Table: q.Table, Zone: q.Zone}
	room := maxOut - valuesOverhead
	for _, z := range zones[q.Zone:][:q.Count] {
		if room -= len(z.append(nil)); room < 0 {
			break
		}
		v.Ranges = append(v.Ranges, z)
	}
	return v
}
