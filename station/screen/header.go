package screen

import (
	"strings"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// header says where and for what the station works, and how it goes.
func (v *view) header(s *sheet, w int) string {
	// Product, purpose and unsigned files are never left out.
	must := 0
	for _, part := range v.setting()[:min(v.mustSay(), len(v.setting()))] {
		must += width(s.clean(part)) + 2
	}
	right := fewer(s.clean(v.lang.headline(&v.snap, v.takt)), w-3-must, false)
	if !v.ready {
		right = ""
	}
	left := ""
	for _, part := range v.setting() {
		part = s.clean(part)
		if 1+width(left)+width(part) > w-width(right)-3 {
			break
		}
		left += part + "  "
	}
	left = strings.TrimRight(left, " ")
	return s.row(w, 0, term.Plain, " "+left+strings.Repeat(" ", w-2-width(left)-width(right))+right)
}

// mustSay is how many parts of the setting have to be seen.
func (v *view) mustSay() int {
	n := 1
	if v.lang.purpose(v.snap.Purpose) != "" {
		n++
	}
	if v.ready && !v.snap.Signed {
		n++
	}
	return n
}

// setting names product, purpose, station and operator, what matters most
// first.
func (v *view) setting() []string {
	s := &v.snap
	var parts []string
	add := func(text string) {
		if text != "" {
			parts = append(parts, visible.Text(text))
		}
	}
	add(s.Product)
	add(v.lang.purpose(s.Purpose))
	if v.ready && !s.Signed {
		add(v.lang.words.unsigned)
	}
	add(s.Station)
	add(s.Operator)
	return parts
}
