package whatif

import "example.org/panecal/limits"

// attempt is what the counts need of a row.
type attempt struct {
	soft          int
	name          string // of the bin
	stays         bool   // its limits did not give its bin
	staysIfAbsent bool   // or did not, if something was not measured
	first         bool   // of production, with a verdict
	passed        bool
}

func attemptOf(soft int64, name, outcome, purpose string, number int64) attempt {
	a := attempt{soft: int(soft), name: name, passed: outcome == limits.OutcomePassed}
	failed := outcome == limits.OutcomeFailed
	a.stays = !a.passed && (!failed || a.name == limits.NoAnswer || a.name == limits.Label)
	a.staysIfAbsent = failed && a.name == limits.Verify
	a.first = (a.passed || failed) && purpose == "production" && number <= 1
	return a
}

// keeps says that an attempt keeps its bin: its limits did not give it.
func (a *attempt) keeps(v verdict) bool { return a.stays || a.staysIfAbsent && v.absent }

// verdict is what the limits say of a row.
type verdict struct {
	best    int16        // place of the bin
	absent  bool         // something was not measured
	failing [guards]bool // with guard factors 0, 1, 2
}

type key struct {
	bin  int
	name string
}

type counts struct{ of, passed, unknown int }

func (c *counts) plus(o counts) {
	c.of += o.of
	c.passed += o.passed
	c.unknown += o.unknown
}

// tally is what some attempts came to.
type tally struct {
	attempts int
	before   map[key]int
	after    map[int]int    // by place; of those that keep their bin by −1 − its number
	names    map[int]string // of bins that were kept, by number
	guards   [guards]counts
	first    counts // first attempts of production
	measured counts // of those: passing, and those of which not all was measured
}

func newTally() tally {
	return tally{before: map[key]int{}, after: map[int]int{}, names: map[int]string{}}
}

// goesTo is the number of the bin that an attempt goes to.
func (t *Trial) goesTo(a *attempt, v verdict) int {
	if a.keeps(v) {
		return a.soft
	}
	return t.bins[v.best].Number
}

// count counts n attempts that are alike.
func (t *Trial) count(y *tally, a *attempt, v verdict, n int) {
	y.attempts += n
	y.before[key{a.soft, a.name}] += n
	keeps := a.keeps(v)
	if keeps {
		y.after[-1-a.soft] += n // by number: the bin may not be in the file
		y.names[a.soft] = a.name
	} else {
		y.after[int(v.best)] += n
	}
	if !a.first {
		return
	}
	y.first.of += n
	if a.passed {
		y.first.passed += n
	}
	switch {
	case keeps:
	case int(v.best) == t.missing:
		y.measured.unknown += n
	case int(v.best) == t.passed:
		y.measured.passed += n
	}
	for g := range y.guards {
		c := &y.guards[g]
		c.of += n
		switch {
		case keeps || v.failing[g]:
		case v.absent:
			c.unknown += n
		default:
			c.passed += n
		}
	}
}

func (y *tally) plus(o *tally) {
	y.attempts += o.attempts
	for k, n := range o.before {
		y.before[k] += n
	}
	for k, n := range o.after {
		y.after[k] += n
	}
	for k, name := range o.names {
		y.names[k] = name
	}
	for g := range y.guards {
		y.guards[g].plus(o.guards[g])
	}
	y.first.plus(o.first)
	y.measured.plus(o.measured)
}
