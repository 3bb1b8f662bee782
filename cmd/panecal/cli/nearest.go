package cli

import (
	"fmt"
	"strings"
)

// Nearest is the known word that a mistyped one most probably means, "" where
// none is near: at most a third of its letters typed otherwise, too many, too
// few or in the other order. Capitals do not count.
func Nearest[S ~string](word string, known []S) (best S) {
	word = strings.ToLower(word)
	fewest := len(word)/3 + 1
	for _, k := range known {
		if n := slips(word, strings.ToLower(string(k))); n < fewest || n == fewest && best == "" {
			best, fewest = k, n
		}
	}
	return best
}

// Unknown is the usage error of a word that is not among those known: what it
// should be, the word that was most probably meant, and all of them.
func Unknown[S ~string](what, word string, known []S) error {
	meant := ""
	if near := Nearest(word, known); near != "" {
		meant = fmt.Sprintf("; did you mean %s?", near)
	}
	words := make([]string, len(known))
	for i, k := range known {
		words[i] = string(k)
	}
	return UsageError(fmt.Errorf("%s %q is unknown%s\nknown: %s", what, word, meant, strings.Join(words, " ")))
}

// slips is how many letters of a were typed otherwise than b's: the distance of
// Damerau 1964 and Levenshtein 1966, two letters exchanged counted as one slip.
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, last, now := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := range x {
		now[0] = i + 1
		for j := range y {
			n := last[j]
			if x[i] != y[j] {
				n++
			}
			n = min(n, last[j+1]+1, now[j]+1)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				n = min(n, before[j-1]+1)
			}
			now[j+1] = n
		}
		before, last, now = last, now, before
	}
	return last[len(y)]
}
