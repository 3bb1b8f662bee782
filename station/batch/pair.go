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
func ReadPairs(name string, in io.Reader) ([]Pair, error) {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("reading the list of units: %w", err)
		}
		defer f.Close()
		in = f
	}
	var all []Pair
	lines := bufio.NewScanner(in)
	for n := 1; lines.Scan(); n++ {
		if len(lines.Bytes()) == 0 {
			continue
		}
		var p Pair
		if err := json.Unmarshal(lines.Bytes(), &p); err != nil || p.Port == "" || p.Label == "" {
			return nil, fmt.Errorf("reading the list of units: line %d wants {\"port\":\"…\",\"label\":\"…\"}", n)
		}
		all = append(all, p)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("reading the list of units: %w", err)
	}
	return all, nil
}
