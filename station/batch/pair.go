package batch

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
)

// Pair is a unit at a port.
type Pair struct {
	Port  string `json:"port"`
	Label string `json:"label"`
}

// ReadPairs reads a file of pairs, one JSON object a line; "-" is in.
func ReadPairs(name string, in io.Reader) (all []Pair, err error) {
	err = EachUnit(name, in, func(n int, line []byte) error {
		var p Pair
		if err := json.Unmarshal(line, &p); err != nil || p.Port == "" || p.Label == "" {
			return fmt.Errorf("line %d wants {\"port\":\"…\",\"label\":\"…\"}", n)
		}
		all = append(all, p)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// EachUnit gives the lines of a list of units that are not empty, with their
// numbers, until each returns an error; "-" is in.
func EachUnit(name string, in io.Reader, each func(n int, line []byte) error) error {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("reading the list of units: %w", err)
		}
		defer f.Close()
		in = f
	}
	lines := bufio.NewScanner(in)
	for n := 1; lines.Scan(); n++ {
		if len(lines.Bytes()) == 0 {
			continue
		}
		if err := each(n, lines.Bytes()); err != nil {
			return fmt.Errorf("reading the list of units: %w", err)
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("reading the list of units: %w", err)
	}
	return nil
}
