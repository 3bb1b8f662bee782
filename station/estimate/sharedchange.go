package estimate

// sharedChange is the change of leakage, which each zone fits for itself with the
// product's prior but which all zones share: what a zone's fit leaves of it adds
// up over zones.
type sharedChange struct{ score, info float64 }

// add takes in a zone's change and its variance, prior included.
func (c *sharedChange) add(change, variance, prior float64) {
	c.score += change / variance
	c.info += max(0, 1/variance-1/prior)
}

// is returns the change that all zones together show, and its variance.
func (c *sharedChange) is(ug float64) (change, variance float64) {
	if ug == 0 {
		return 0, 0
	}
	variance = 1 / (c.info + 1/(ug*ug))
	return c.score * variance, variance
}
