package label

import (
	"fmt"
	"slices"
	"strings"
)

// Check is a system of check characters, by its designation in ISO/IEC
// 7064:2003. Characters that its alphabet lacks and that people put between
// groups (space - . / _) take no part.
type Check string

// The systems. Those with a comma are hybrid, those with a dash pure; the
// check is one character, with MOD 97-10 two digits.
const (
	NoCheck  Check = "none"
	Mod11x2  Check = "MOD 11-2"  // digits; the check may be X
	Mod37x2  Check = "MOD 37-2"  // digits, letters; the check may be *
	Mod97x10 Check = "MOD 97-10" // digits; two check digits
	Mod11_10 Check = "MOD 11,10" // digits
	Mod37_36 Check = "MOD 37,36" // digits, letters
)

// Checks returns the systems.
func Checks() []Check { return []Check{NoCheck, Mod11x2, Mod37x2, Mod97x10, Mod11_10, Mod37_36} }

// Known says whether c is one of Checks.
func (c Check) Known() bool { return slices.Contains(Checks(), c) }

const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"

// Compute gives the check characters of payload, to be appended to it. A
// character that the system's alphabet lacks is a *Refusal.
func (c Check) Compute(payload string) (string, error) {
	values, err := c.values(payload)
	if err != nil {
		return "", err
	}
	switch c {
	case NoCheck:
		return "", nil
	case Mod11x2, Mod37x2: // pure, radix 2: sum of a·2^i ≡ 1 (mod M), check at i = 0
		m := 11
		if c == Mod37x2 {
			m = 37
		}
		p := 0
		for _, v := range values {
			p = (p + v) * 2 % m
		}
		check := (m + 1 - p) % m
		if c == Mod11x2 && check == 10 {
			return "X", nil
		}
		return alphabet[check : check+1], nil
	case Mod97x10: // pure, radix 10, two check digits
		p := 0
		for _, v := range values {
			p = (p + v) * 10 % 97
		}
		return fmt.Sprintf("%02d", 98-p*10%97), nil // 02 to 98
	case Mod11_10, Mod37_36: // hybrid, M and M+1
		m := 10
		if c == Mod37_36 {
			m = 36
		}
		p := m
		for _, v := range values {
			p = (p + v) % m
			if p == 0 {
				p = m
			}
			p = p * 2 % (m + 1)
		}
		check := (m + 1 - p) % m
		return alphabet[check : check+1], nil
	}
	return "", &Refusal{Why: CheckWrong, Detail: fmt.Sprintf("no check system %q", string(c))}
}

// Verify takes text with its check characters at the end. What is wrong is a
// *Refusal.
func (c Check) Verify(text string) error {
	n := 1
	switch c {
	case NoCheck:
		return nil
	case Mod97x10:
		n = 2
	}
	if len(text) <= n {
		return &Refusal{Why: CheckWrong, Text: text, Detail: "too short for a check character"}
	}
	payload, have := text[:len(text)-n], text[len(text)-n:]
	want, err := c.Compute(payload)
	if err != nil {
		return err
	}
	if have != want {
		// Not told which would be right: that invites to type it.
		return &Refusal{Why: CheckWrong, Text: text, At: len(payload) + 1, Detail: string(c)}
	}
	return nil
}

// values turns characters into their values in the system's alphabet.
func (c Check) values(payload string) ([]int, error) {
	size := 10
	if c == Mod37x2 || c == Mod37_36 {
		size = 36
	}
	var values []int
	for i := range len(payload) {
		v := strings.IndexByte(alphabet[:size], payload[i])
		switch {
		case c == NoCheck || strings.IndexByte(" -./_", payload[i]) >= 0:
		case v < 0:
			return nil, &Refusal{Why: CheckWrong, Text: payload, At: i + 1, Detail: string(c) + " has no such character"}
		default:
			values = append(values, v)
		}
	}
	if len(values) == 0 && c != NoCheck {
		return nil, &Refusal{Why: CheckWrong, Text: payload, Detail: "nothing to check"}
	}
	return values, nil
}
