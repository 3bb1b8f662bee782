package desk

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// genealogy says what was made of what, as another system of the plant has it:
// the log itself knows only the lots that a unit's own parts were of.
type genealogy struct {
	of   map[string][]string // what an item was made of
	into map[string][]string // what was made of an item
}

// readGenealogy reads a CSV file with the columns item and made_of, in any order,
// among any others. An item is a lot or a serial.
func readGenealogy(path string) (*genealogy, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the lots: %w", err)
	}
	g, err := parseGenealogy(data)
	if err != nil {
		return nil, fmt.Errorf("reading the lots: %s: %w", path, err)
	}
	return g, nil
}

func parseGenealogy(data []byte) (*genealogy, error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")))) // what a spreadsheet puts first
	r.TrimLeadingSpace = true
	names, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the file is empty: its first line names the columns item and made_of")
	}
	if err != nil {
		return nil, err
	}
	item, of := column(names, "item"), column(names, "made_of")
	if item < 0 || of < 0 {
		return nil, fmt.Errorf("line 1 names %q: it must name the columns item and made_of", names)
	}
	g := &genealogy{map[string][]string{}, map[string][]string{}}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			return g, nil
		}
		if err != nil {
			return nil, err // with its line
		}
		a, b := strings.TrimSpace(row[item]), strings.TrimSpace(row[of])
		if line, _ := r.FieldPos(0); a == "" || b == "" {
			return nil, fmt.Errorf("line %d: item and made_of must both be there", line)
		}
		if !slices.Contains(g.of[a], b) {
			g.of[a], g.into[b] = append(g.of[a], b), append(g.into[b], a)
		}
	}
}

func column(names []string, name string) int {
	return slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(strings.TrimSpace(n), name) })
}

// ancestors is all that these items were made of, nearest first, without
// themselves; a circle in the file ends where it closes.
func (g *genealogy) ancestors(items ...string) []string { return reach(g.of, items) }

// descendants is all that was made of an item, nearest first, without itself.
func (g *genealogy) descendants(item string) []string { return reach(g.into, []string{item}) }

func reach(next map[string][]string, from []string) []string {
	seen := map[string]bool{}
	for _, item := range from {
		seen[item] = true
	}
	var found []string
	for queue := slices.Clone(from); len(queue) > 0; queue = queue[1:] {
		for _, n := range next[queue[0]] {
			if !seen[n] {
				seen[n] = true
				found, queue = append(found, n), append(queue, n)
			}
		}
	}
	return found
}
