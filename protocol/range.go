package protocol

import (
	"errors"
	"fmt"
)

// RangeZone is what a unit reports of one zone in a capture of kind Ranges.
// Signal and Ambient may be negative: a difference of counts is never
// clamped.
type RangeZone struct {
	Signal   int64 // net counts per shot, 1e-9 {count}/{shot}
	SignalU  int64 // its standard uncertainty, likewise
	Ambient  int64 // counts per shot per bin, 1e-9 {count}/{shot}
	AmbientU int64

	Ranged bool  // a range was found; else the next two mean nothing
	Range  int64 // radial distance, micrometres
	RangeU int64
}

// maxRangeValue keeps every field of a RangeZone well inside what a
// float64 holds exactly.
const maxRangeValue = 1 << 50

func (z RangeZone) list() []int64 {
	all := []int64{z.Signal, z.SignalU, z.Ambient, z.AmbientU, z.Range, z.RangeU}
	if !z.Ranged {
		return all[:4]
	}
	return all
}

func (z RangeZone) append(dst []byte) []byte {
	list := z.list()
	dst = appendHead(dst, majorArray, uint64(len(list)))
	for _, v := range list {
		dst = appendInt(dst, v)
	}
	return dst
}

func readRangeZone(b []byte) (z RangeZone, rest []byte, err error) {
	major, n, rest, err := readHead(b)
	if err != nil || major != majorArray || n != 4 && n != 6 {
		return z, nil, errors.New("a zone has 4 or 6 numbers")
	}
	var v [6]int64
	for i := range n {
		if v[i], rest, err = readInt(rest); err != nil {
			return z, nil, err
		}
		uncertainty := i%2 == 1
		if v[i] > maxRangeValue || v[i] < -maxRangeValue || uncertainty && v[i] < 0 {
			return z, nil, fmt.Errorf("%d is out of range", v[i])
		}
	}
	return RangeZone{v[0], v[1], v[2], v[3], n == 6, v[4], v[5]}, rest, nil
}
