package shift

import "regexp"

// Rules say how a shift goes at this station.
type Rules struct {
	// Badge is what a badge says, the whole of it. Nil: people are known by
	// other means, nobody is asked.
	Badge *regexp.Regexp
	Ask   []PageKind // what is asked after sign-on: OrderPage to EmitterPage
	Takt  float64    // units an hour that are wanted, 0 for none
}
