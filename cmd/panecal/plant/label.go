package plant

import (
	"errors"
	"fmt"
	"regexp/syntax"
	"slices"
	"strings"

	"example.org/panecal/station/label"
)

// ErrNoLabel: no label can be made up for a product.
var ErrNoLabel = errors.New("no label can be made up for this product")

// free is how many characters a part of a pattern has that may have any number.
const free = 5

// labelOf makes up the n-th label, from 1, that a pattern and a check take. name
// is used where the pattern takes anything.
func labelOf(rules *label.Rules, pattern string, check label.Check, name string, n int) (string, error) {
	if pattern == "" {
		pattern = plain(name) + `[0-9]{5}`
		if check != label.NoCheck {
			pattern += `[0-9A-Z*]`
			if check == label.Mod97x10 {
				pattern += `[0-9]`
			}
		}
		if check != label.NoCheck && check != label.Mod37_36 && check != label.Mod37x2 {
			pattern = `[0-9]{8}` + pattern[len(plain(name)):] // these take digits alone
		}
	}
	parsed, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrNoLabel, err)
	}
	places, err := expand(parsed)
	if err != nil {
		return "", err
	}
	checks := 0
	switch check {
	case "", label.NoCheck:
	case label.Mod97x10:
		checks = 2
	default:
		checks = 1
	}
	if len(places) <= checks {
		return "", fmt.Errorf("%w: the pattern %q has no room for a serial before its check character", ErrNoLabel, pattern)
	}
	// A check character is what it is: where the pattern does not take it, the
	// next number may have one that it takes.
	const tries = 200
	for skip := range tries {
		text := make([]rune, len(places))
		left := n + skip*tries
		for i := len(places) - 1; i >= 0; i-- {
			set := places[i]
			if i >= len(places)-checks {
				continue
			}
			text[i] = set[left%len(set)]
			left /= len(set)
		}
		if left > 0 {
			break
		}
		payload := string(text[:len(places)-checks])
		digits, err := check.Compute(payload)
		if err != nil {
			return "", fmt.Errorf("%w: the pattern %q has characters that %s does not take: %w", ErrNoLabel, pattern, check, err)
		}
		l, err := rules.Parse(payload + digits)
		if err == nil && l.Serial == payload+digits {
			return l.Serial, nil
		}
	}
	return "", fmt.Errorf("%w: none of the labels tried for the pattern %q with check %q is taken: give a pattern of characters, classes and counts", ErrNoLabel, pattern, string(check))
}

// plain is a name with nothing in it that means something in a pattern.
func plain(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToUpper(name)) + "-"
}

// expand turns a pattern into one row of places, each with the characters that
// it may have: the first branch, and as few repetitions as leave room for serials.
func expand(re *syntax.Regexp) (places [][]rune, err error) {
	switch re.Op {
	case syntax.OpEmptyMatch, syntax.OpBeginLine, syntax.OpEndLine, syntax.OpBeginText, syntax.OpEndText:
		return nil, nil
	case syntax.OpLiteral:
		for _, r := range re.Rune {
			places = append(places, []rune{r})
		}
		return places, nil
	case syntax.OpCharClass:
		var set []rune
		for _, r := range usual {
			for i := 0; i+1 < len(re.Rune); i += 2 {
				if r >= re.Rune[i] && r <= re.Rune[i+1] {
					set = append(set, r)
				}
			}
		}
		if len(set) == 0 {
			return nil, fmt.Errorf("%w: %s takes no letter, digit or hyphen", ErrNoLabel, re)
		}
		return [][]rune{set}, nil
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		return [][]rune{usual[:10]}, nil
	case syntax.OpCapture:
		return expand(re.Sub[0])
	case syntax.OpConcat:
		for _, sub := range re.Sub {
			more, err := expand(sub)
			if err != nil {
				return nil, err
			}
			places = append(places, more...)
		}
		return places, nil
	case syntax.OpAlternate:
		return expand(re.Sub[0])
	case syntax.OpQuest:
		return nil, nil
	case syntax.OpStar, syntax.OpPlus, syntax.OpRepeat:
		least, most := re.Min, re.Max
		if re.Op == syntax.OpPlus {
			least, most = 1, -1
		} else if re.Op == syntax.OpStar {
			least, most = 0, -1
		}
		one, err := expand(re.Sub[0])
		if err != nil {
			return nil, err
		}
		times := max(least, free)
		if most >= 0 {
			times = min(times, most)
		}
		if times*len(one) > label.MaxBytes {
			return nil, fmt.Errorf("%w: %s makes labels longer than %d characters", ErrNoLabel, re, label.MaxBytes)
		}
		for range times {
			places = append(places, slices.Clone(one)...)
		}
		return places, nil
	}
	return nil, fmt.Errorf("%w: its pattern has %s, which is not made up", ErrNoLabel, re)
}

// usual are the characters of labels, those first that count.
var usual = []rune("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz-._/*+")
