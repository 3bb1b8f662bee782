package plant

import (
	"fmt"

	"example.org/panecal/station"
)

// Critic holds verdicts against the acts that they belong to: the n-th verdict
// of a serial against its n-th act.
type Critic struct {
	acts []Act
	seen map[string]int
}

// NewCritic is a critic of acts that have been cast.
func NewCritic(acts []Act) *Critic { return &Critic{acts: acts, seen: map[string]int{}} }

// Judge says what is wrong with a verdict, nil where it is the one that its
// act has to end with.
func (c *Critic) Judge(v station.Verdict) error {
	n := c.seen[v.Serial]
	c.seen[v.Serial]++
	for _, a := range c.acts {
		if a.Unit.Serial() != v.Serial {
			continue
		}
		if n == 0 {
			return a.expected(v)
		}
		n--
	}
	return fmt.Errorf("%s: a verdict too many", v.Serial)
}

// Seen is how many verdicts there were.
func (c *Critic) Seen() (total int) {
	for _, n := range c.seen {
		total += n
	}
	return total
}

func (a Act) expected(v station.Verdict) error {
	if v.Outcome != a.Outcome || v.Disposition != a.Disposition {
		return fmt.Errorf("%s (%s): %s, %s; expected %s, %s", a.Unit.Serial(), a.Note, v.Outcome, v.Disposition, a.Outcome, a.Disposition)
	}
	return nil
}
