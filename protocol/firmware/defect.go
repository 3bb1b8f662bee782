package firmware

import (
	"bytes"
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed defects.txt
var defectTable string

// Defect is one mistake that can be worked into the sources.
type Defect struct {
	Number int
	Name   string
	Clause string // of SPEC.md, that names the mistake
	About  string // one sentence

	edits []edit
}

// edit replaces a text that stands exactly once in a file.
type edit struct {
	path     string
	old, new string
}

// Defects returns the table of defects.txt, in its order.
func Defects() ([]Defect, error) {
	var all []Defect
	var at *edit
	for i, line := range strings.Split(defectTable, "\n") {
		mark, text, _ := strings.Cut(line, " ")
		last := len(all) - 1
		switch {
		case line == "" || mark == "#":
			at = nil
		case mark == "defect":
			f := strings.SplitN(text, " ", 4)
			if len(f) < 4 {
				return nil, fmt.Errorf("defects.txt:%d: want number, name, clause and a sentence", i+1)
			}
			n, err := strconv.Atoi(f[0])
			if err != nil {
				return nil, fmt.Errorf("defects.txt:%d: %w", i+1, err)
			}
			all, at = append(all, Defect{Number: n, Name: f[1], Clause: f[2], About: f[3]}), nil
		case mark == "in" && last >= 0:
			all[last].edits = append(all[last].edits, edit{path: text})
			at = &all[last].edits[len(all[last].edits)-1]
		case mark == "-" && at != nil:
			at.old += text + "\n"
		case mark == "+" && at != nil:
			at.new += text + "\n"
		default:
			return nil, fmt.Errorf("defects.txt:%d: cannot read %q", i+1, line)
		}
	}
	return all, nil
}

func find(all []Defect, name string) (Defect, bool) {
	for _, d := range all {
		if d.Name == name || strconv.Itoa(d.Number) == name {
			return d, true
		}
	}
	return Defect{}, false
}

func (d Defect) apply(path string, text []byte) ([]byte, error) {
	for _, e := range d.edits {
		if e.path != path {
			continue
		}
		if n := bytes.Count(text, []byte(e.old)); n != 1 {
			return nil, fmt.Errorf("defect %s: its place stands %d times in %s", d.Name, n, path)
		}
		text = bytes.Replace(text, []byte(e.old), []byte(e.new), 1)
	}
	return text, nil
}
