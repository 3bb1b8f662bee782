package proposing

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"example.org/panecal/limits"
)

// change is a number that a limits file shall say.
type change struct {
	quantity, key string // such as "leakage.max", "high"
	value         float64
}

// edit writes numbers into a limits file and leaves every other byte; head is
// put before it, as comments. The file must have its limits as tables,
// [limit."…"], in which the keys stand already. What comes out reads as wanted.
func edit(name string, text []byte, head []string, changes []change) ([]byte, error) {
	wanted := map[[2]string]float64{}
	for _, c := range changes {
		wanted[[2]string{c.quantity, c.key}] = c.value
	}
	var out strings.Builder
	for _, line := range head {
		fmt.Fprintf(&out, "# %s\n", line)
	}
	inside := ""
	for line := range strings.Lines(string(text)) {
		if m := tableHead.FindStringSubmatch(line); m != nil {
			inside = ""
			if of := limitHead.FindStringSubmatch(m[1]); of != nil {
				inside = of[1]
			}
		} else if m := keyLine.FindStringSubmatchIndex(line); m != nil && inside != "" {
			at := [2]string{inside, line[m[2]:m[3]]}
			if v, ok := wanted[at]; ok {
				line = line[:m[4]] + strconv.FormatFloat(v, 'g', -1, 64) + line[m[5]:]
				delete(wanted, at)
			}
		}
		out.WriteString(line)
	}
	for at := range wanted {
		return nil, fmt.Errorf("%s: no line %q in a table [limit.%q]: write its limits as tables of their own", name, at[1]+" = …", at[0])
	}
	made := []byte(out.String())
	f, err := limits.Read(name, made)
	if err != nil {
		return nil, fmt.Errorf("what is proposed is no limits file; change what stands beside it:\n%w", err)
	}
	for _, c := range changes {
		if got := limitKey(f, c); got != c.value {
			return nil, errors.New("the proposed limits could not be written into " + name)
		}
	}
	return made, nil
}

var (
	tableHead = regexp.MustCompile(`^\s*\[([^\[\]]+)\]\s*(?:#.*)?$`)
	limitHead = regexp.MustCompile(`^\s*limit\s*\.\s*["']([^"']+)["']\s*$`)
	keyLine   = regexp.MustCompile(`^\s*([a-z_]+)\s*=\s*([^\s#]+)`)
)

func limitKey(f *limits.File, c change) float64 {
	for _, l := range f.Limits {
		if string(l.Name) != c.quantity {
			continue
		}
		if v := map[string]*float64{"low": l.Low, "high": l.High, "typical": l.Typical, "typical_u": l.TypicalU, "typical_sd": l.TypicalSD, "typical_zone_sd": l.TypicalZoneSD}[c.key]; v != nil {
			return *v
		}
	}
	return math.NaN()
}

// outward rounds to four digits, away from what shall lie inside.
func outward(v float64, up bool) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	scale := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(v))))
	rounded := math.Floor(v*scale) / scale
	if up {
		rounded = math.Ceil(v*scale) / scale
	}
	// The shortest decimal is the one that is meant.
	short, _ := strconv.ParseFloat(strconv.FormatFloat(rounded, 'g', 6, 64), 64)
	return short
}
