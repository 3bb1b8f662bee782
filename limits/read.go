package limits

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/release"
	"example.org/panecal/limits/strict"
)

// Kind is the kind of a limits file among released files.
const Kind = "limits"

// maxNumber bounds bin numbers: 16 bits, as test data formats of the trade
// keep them.
const maxNumber = 32767

// The tables of a limits file.
type fileTable struct {
	Product string                  `toml:"product" need:"add the name of the product the limits are for, such as product = \"hopper-54\""`
	Zones   *int                    `toml:"zones"`
	Release release.Header          `toml:"release"`
	Limit   map[string]limitTable   `toml:"limit"`
	Bin     map[string]binTable     `toml:"bin"`
	HardBin map[string]hardBinTable `toml:"hard_bin"`
}

type limitTable struct {
	Unit        string   `toml:"unit" need:"add the unit, such as unit = \"mm\""`
	Low         *float64 `toml:"low"`
	High        *float64 `toml:"high"`
	K           float64  `toml:"k" need:"add the guard factor, such as k = 2; k = 0 is simple acceptance"`
	LowBin      string   `toml:"low_bin"`
	HighBin     string   `toml:"high_bin"`
	Instruction string   `toml:"instruction"`
	Optional    bool     `toml:"optional"`
	Typical     *float64 `toml:"typical"`
	TypicalU    *float64 `toml:"typical_u"`
	TypicalSD   *float64 `toml:"typical_sd"`
	TypicalZone *float64 `toml:"typical_zone_sd"`

	EN limitWords `toml:"en"`
	ES limitWords `toml:"es"`
	DE limitWords `toml:"de"`
}

// What a bin of the file's own must have is checked in bins: a reserved bin
// has defaults.
type binTable struct {
	Number      int    `toml:"number"`
	Text        string `toml:"text"`
	Code        string `toml:"code"`
	Hard        string `toml:"hard"`
	Disposition string `toml:"disposition"`
	Priority    int    `toml:"priority"`
	Instruction string `toml:"instruction"`

	EN binWords `toml:"en"`
	ES binWords `toml:"es"`
	DE binWords `toml:"de"`
}

type hardBinTable struct {
	Number int    `toml:"number" need:"add number = …, one that no other hard bin has"`
	Text   string `toml:"text"`

	EN hardBinWords `toml:"en"`
	ES hardBinWords `toml:"es"`
	DE hardBinWords `toml:"de"`
}

// Read reads a limits file; name is for messages only. The error is
// strict.Faults. Signatures are not verified: Signed is false.
func Read(name string, data []byte) (*File, error) {
	var t fileTable
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return nil, explain(err)
	}
	r := reader{d: d, t: &t, used: map[string]bool{}}
	if key, problem, mend := t.Release.Problem(); key != "" {
		d.Report(problem, mend, "release", key)
	}
	if t.Product == "" {
		d.Report("the product has no name", `write product = "hopper-54"`, "product")
	}
	if t.Zones != nil && *t.Zones < 1 {
		d.Report(fmt.Sprintf("a unit with %d zones", *t.Zones), "write how many zones the product has, such as zones = 54", "zones")
	}
	r.bins()
	limits := r.limits()
	r.unused()
	if err := d.Err(); err != nil {
		return nil, err
	}
	doc, err := release.Seal(Kind, d.Content(), t.Release)
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	f := &File{Document: doc, Product: t.Product, Limits: limits}
	for _, b := range r.soft {
		f.Bins = append(f.Bins, *b)
	}
	slices.SortFunc(f.Bins, func(a, b Bin) int { return a.Number - b.Number })
	f.passed, f.notMeasured = *r.soft[Passed], *r.soft[NotMeasured]
	return f, nil
}

// explain helps with [limit.leakage.max], which TOML takes for a table max
// inside leakage.
func explain(err error) error {
	faults, ok := err.(strict.Faults)
	if !ok {
		return err
	}
	kept := strict.Faults{}
	for _, f := range faults {
		parts := strings.Split(f.Path, ".")
		if len(parts) == 3 && parts[0] == "limit" {
			whole := parts[1] + "." + parts[2]
			if _, ok := quantity.Lookup(quantity.Name(whole)); ok && strings.Contains(f.Problem, "unknown key") {
				f.Problem = fmt.Sprintf("%s is one name", whole)
				f.Mend = fmt.Sprintf("put it in quotes: [limit.%q]", whole)
			}
		}
		kept = append(kept, f)
	}
	return kept
}

type reader struct {
	d    *strict.Document
	t    *fileTable
	hard map[string]HardBin
	soft map[string]*Bin
	used map[string]bool // soft bins that a limit names
}

// merged gives the soft bins of the file and the reserved ones, with the
// defaults of those for what the file leaves out.
func (r *reader) merged() map[string]binTable {
	all := reservedBins()
	for name, t := range r.t.Bin {
		base, reserved := all[name]
		for _, k := range []struct {
			key, mend string
			copy      func()
		}{
			{"number", "add number = …, one that no other soft bin has", func() { t.Number = base.Number }},
			{"code", `add code = "…", a short word for screen and scripts`, func() { t.Code = base.Code }},
			{"hard", `add hard = "…", the name of a hard bin`, func() { t.Hard = base.Hard }},
			{"disposition", `add disposition = "rework", "hold" or "scrap"`, func() { t.Disposition = base.Disposition }},
			{"priority", "add priority = …, the smallest of those reached decides", func() { t.Priority = base.Priority }},
			{"instruction", `add instruction = "…", one sentence for the hands`, func() { t.Instruction = base.Instruction }},
		} {
			if r.d.Has("bin", name, k.key) {
				continue
			}
			k.copy()
			if !reserved {
				r.d.Report(fmt.Sprintf("soft bin %s has no %s", name, k.key), k.mend, "bin", name)
			}
		}
		t.inherit(base, !r.d.Has("bin", name, "text"), !r.d.Has("bin", name, "instruction"))
		all[name] = t
	}
	return all
}

func (r *reader) bins() {
	all := r.merged()
	r.hardBins(all)
	r.soft = map[string]*Bin{}
	numbers, codes, priorities := map[int]string{}, map[string]string{}, map[int]string{}
	boxes := map[string]string{}
	for _, name := range inOrder(r.d, "bin", all) {
		t := all[name]
		hard := r.hard[t.Hard]
		text := t.text()
		text.Plain = cmp.Or(text.Plain, spaced(name))
		r.soft[name] = &Bin{Name: name, Number: t.Number, Text: text, Code: t.Code, Hard: hard,
			Disposition: t.Disposition, Priority: t.Priority, Instruction: t.instruction(), Outcome: outcome(name)}
		report := func(key, problem, mend string) {
			// A key that is not there has been reported, or has a default.
			if r.d.Has("bin", name, key) {
				r.d.Report(problem, mend, "bin", name, key)
			}
		}
		if t.Number < 1 || t.Number > maxNumber {
			report("number", fmt.Sprintf("a bin's number is 1 to %d", maxNumber), "write number = 10")
		}
		same(numbers, t.Number, name, func(other string) {
			report("number", fmt.Sprintf("soft bins %s and %s have the same number %d", other, name, t.Number), "give one of them another")
		})
		same(codes, t.Code, name, func(other string) {
			report("code", fmt.Sprintf("soft bins %s and %s have the same code %q", other, name, t.Code), "give one of them another")
		})
		same(priorities, t.Priority, name, func(other string) {
			report("priority", fmt.Sprintf("soft bins %s and %s have the same priority %d", other, name, t.Priority), "give one of them another: which decides when both are reached?")
		})
		if t.Code == "" || strings.ContainsAny(t.Code, " \t\n") {
			report("code", fmt.Sprintf("%q is no code", t.Code), "write one short word without spaces")
		}
		if t.Instruction == "" {
			report("instruction", "the instruction is empty", "write one sentence that says what the hands do")
		}
		fits("code", t.Code, codeRoom, report)
		room := func(problem, mend string, keys ...string) {
			if path := append([]string{"bin", name}, keys...); r.d.Has(path...) {
				r.d.Report(problem, mend, path...)
			}
		}
		text.fits("text", textRoom, room)
		t.instruction().fits("instruction", instructionRoom, room)
		if _, ok := r.hard[t.Hard]; !ok {
			report("hard", fmt.Sprintf("soft bin %s goes to hard bin %q, which there is not", name, t.Hard),
				fmt.Sprintf("add [hard_bin.%s] or name one of: %s", cmp.Or(t.Hard, "NAME"), strings.Join(r.boxes(), " ")))
		}
		disposition(name, t, hard, boxes, report)
	}
}

// boxes names the hard bins that a soft bin may go to.
func (r *reader) boxes() []string {
	all := defaultHardBins()
	maps.Copy(all, r.t.HardBin)
	return slices.Sorted(maps.Keys(all))
}

// hardBins makes the hard bins of the file, and of the defaults those that a
// soft bin goes to.
func (r *reader) hardBins(soft map[string]binTable) {
	r.hard = map[string]HardBin{}
	all := defaultHardBins()
	maps.DeleteFunc(all, func(name string, _ hardBinTable) bool {
		for _, b := range soft {
			if b.Hard == name {
				return false
			}
		}
		return true
	})
	maps.Copy(all, r.t.HardBin)
	numbers := map[int]string{}
	for _, name := range inOrder(r.d, "hard_bin", all) {
		t := all[name]
		if t.Number < 1 || t.Number > maxNumber {
			r.d.Report(fmt.Sprintf("a bin's number is 1 to %d", maxNumber), "write number = 1", "hard_bin", name, "number")
		}
		same(numbers, t.Number, name, func(other string) {
			r.d.Report(fmt.Sprintf("hard bins %s and %s have the same number %d", other, name, t.Number), "give one of them another", "hard_bin", name, "number")
		})
		text := t.text()
		text.fits("text", textRoom, func(problem, mend string, keys ...string) {
			r.d.Report(problem, mend, append([]string{"hard_bin", name}, keys...)...)
		})
		text.Plain = cmp.Or(text.Plain, spaced(name))
		r.hard[name] = HardBin{Name: name, Number: t.Number, Text: text}
	}
}

// disposition checks that units to be released never share a box with
// others, that only the bin passed releases, and that no box is named after
// something else than what happens with its units.
func disposition(name string, t binTable, hard HardBin, boxes map[string]string, report func(key, problem, mend string)) {
	if !slices.Contains([]string{Release, Rework, Hold, Scrap}, t.Disposition) {
		report("disposition", fmt.Sprintf("%q is no disposition", t.Disposition), "write release, rework, hold or scrap")
		return
	}
	if (name == Passed) != (t.Disposition == Release) {
		report("disposition", fmt.Sprintf("soft bin %s cannot have disposition %s", name, t.Disposition), "units of bin passed are released, no others")
		return
	}
	for box, other := range boxes {
		if box == t.Hard && (other == Release) != (t.Disposition == Release) {
			report("hard", fmt.Sprintf("hard bin %s takes units to be released and others", box), "send them to different hard bins")
			return
		}
	}
	if other := contradicts(hard, t.Disposition); other != "" {
		report("hard", fmt.Sprintf("soft bin %s has disposition %s and goes to hard bin %s, which says %s", name, t.Disposition, t.Hard, other),
			"name a hard bin that says the same, or none of the dispositions")
		return
	}
	boxes[t.Hard] = t.Disposition
}

func (r *reader) limits() []Limit {
	var list []Limit
	for _, name := range slices.Sorted(maps.Keys(r.t.Limit)) {
		definition, ok := quantity.Lookup(quantity.Name(name))
		if !ok {
			r.d.Report(fmt.Sprintf("%q is no quantity", name), "known: "+strings.Join(known(), " "), "limit", name)
			continue
		}
		list = append(list, r.limit(definition, r.t.Limit[name]))
	}
	if len(list) == 0 {
		r.d.Report("there is no limit", `add one, such as [limit."offset.mean"]: without one every unit would pass`, "limit")
	}
	slices.SortFunc(list, func(a, b Limit) int { return a.Column - b.Column })
	return list
}

func (r *reader) limit(q quantity.Definition, t limitTable) Limit {
	name := string(q.Name)
	report := func(key, problem, mend string) { r.d.Report(problem, mend, "limit", name, key) }
	whole := func(problem, mend string) { r.d.Report(problem, mend, "limit", name) }
	l := Limit{Definition: q, Low: t.Low, High: t.High, K: t.K, Instruction: t.instruction(), Optional: t.Optional,
		Typical: t.Typical, TypicalU: t.TypicalU, TypicalSD: t.TypicalSD, TypicalZoneSD: t.TypicalZone, Zones: 1}
	if q.Zoned {
		l.Zones = 0
		if r.t.Zones != nil {
			l.Zones = *r.t.Zones
		}
	}
	l.highest, l.smallest = guardColumns(q, t.K)
	if t.Unit != q.Unit {
		report("unit", fmt.Sprintf("%s is measured in %q, not %q", name, q.Unit, t.Unit), fmt.Sprintf("write unit = %q and the limits in it", q.Unit))
	}
	t.instruction().fits("instruction", instructionRoom, func(problem, mend string, keys ...string) {
		r.d.Report(problem, mend, append([]string{"limit", name}, keys...)...)
	})
	if t.K < 0 {
		report("k", "a negative guard factor would pass units that are probably bad", "write k = 0 for simple acceptance, k > 0 to guard")
	}
	if t.Low == nil && t.High == nil {
		whole("neither low nor high", "add low = … or high = …")
	}
	l.LowBin = r.side(name, "low", t.Low != nil, t.LowBin)
	l.HighBin = r.side(name, "high", t.High != nil, t.HighBin)
	for _, u := range []struct {
		key string
		v   *float64
	}{{"typical_u", t.TypicalU}, {"typical_sd", t.TypicalSD}, {"typical_zone_sd", t.TypicalZone}} {
		if u.v != nil && *u.v < 0 {
			report(u.key, fmt.Sprintf("%s is negative", u.key), "write what it is, 0 or more")
		}
		if u.v != nil && t.Typical == nil {
			report(u.key, fmt.Sprintf("%s without typical", u.key), "add typical = …, or take it out")
		}
	}
	if t.TypicalZone != nil && !q.Zoned {
		report("typical_zone_sd", fmt.Sprintf("%s has no zones", name), "take it out")
	}
	if t.TypicalZone != nil && q.Zoned && r.t.Zones == nil {
		report("typical_zone_sd", "the file does not say how many zones a unit has", "add zones = …, such as zones = 54, beside product")
	}
	if t.Low != nil && t.High != nil && !r.interval(report, t) {
		return l
	}
	r.reachable(&l, whole)
	return l
}

// interval is false where it has reported that nothing lies inside.
func (r *reader) interval(report func(key, problem, mend string), t limitTable) bool {
	if !(*t.Low < *t.High) {
		report("high", fmt.Sprintf("nothing lies between low = %v and high = %v", *t.Low, *t.High), "write low below high")
		return false
	}
	if t.TypicalU == nil || t.K < 0 {
		return true
	}
	if guard := t.K * *t.TypicalU; !(*t.Low+guard < *t.High-guard) {
		report("k", fmt.Sprintf("guard bands of k·typical_u = %v leave nothing between %v and %v", guard, *t.Low, *t.High),
			"lower k, widen the limits, or measure longer")
		return false
	}
	return true
}

// side finds the bin of one side of a limit.
func (r *reader) side(limit, side string, closed bool, bin string) *Bin {
	key := side + "_bin"
	switch {
	case !closed && bin != "":
		r.d.Report(fmt.Sprintf("%s without %s", key, side), fmt.Sprintf("add %s = …, or take %s out", side, key), "limit", limit, key)
		r.used[bin] = true
		return nil
	case !closed:
		return nil
	case bin == "":
		r.d.Report(fmt.Sprintf("%s without %s", side, key), fmt.Sprintf(`add %s = "…", the soft bin of a unit that fails here`, key), "limit", limit, side)
		return nil
	}
	r.used[bin] = true
	b, ok := r.soft[bin]
	if !ok {
		r.d.Report(fmt.Sprintf("there is no soft bin %q", bin), fmt.Sprintf("add [bin.%s], or name one there is", bin), "limit", limit, key)
		return nil
	}
	if b.Outcome != OutcomeFailed {
		r.d.Report(fmt.Sprintf("a unit that fails a limit cannot go to bin %s", bin), "name a bin of your own", "limit", limit, key)
		return nil
	}
	return b
}

// unused reports bins that no unit can reach.
func (r *reader) unused() {
	reserved := reservedBins()
	reached := map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(r.soft)) {
		if _, ok := reserved[name]; !ok && !r.used[name] {
			r.d.Report(fmt.Sprintf("no unit can reach soft bin %s: no limit names it", name), "name it as low_bin or high_bin of a limit, or take it out", "bin", name)
		}
		reached[r.soft[name].Hard.Name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(r.t.HardBin)) {
		if !reached[name] {
			r.d.Report(fmt.Sprintf("no unit can reach hard bin %s: no soft bin goes there", name), "name it as hard of a soft bin, or take it out", "hard_bin", name)
		}
	}
}

// inOrder sorts the names of the tables under key by their place in the
// file, defaults first: of two that clash the later one is reported, at a
// place that the file has.
func inOrder[T any](d *strict.Document, key string, tables map[string]T) []string {
	return slices.SortedFunc(maps.Keys(tables), func(a, b string) int {
		return cmp.Or(cmp.Compare(d.Order(key, a), d.Order(key, b)), strings.Compare(a, b))
	})
}

func same[K comparable](seen map[K]string, k K, name string, report func(other string)) {
	if other, ok := seen[k]; ok {
		report(other)
		return
	}
	seen[k] = name
}

func spaced(name string) string { return strings.ReplaceAll(name, "_", " ") }

func known() []string {
	var names []string
	for _, d := range quantity.All() {
		names = append(names, string(d.Name))
	}
	return names
}
