package label

import (
	"fmt"
	"strings"
)

// elements takes apart a GS1 element string: application identifier and value
// one after the other, those of predefined length without a separator behind
// them, the others up to GS or the end (GS1 General Specifications, 7.8).
func elements(kind, data string) ([]Field, error) {
	var fields []Field
	for rest := data; rest != ""; {
		n := identifierLength(rest)
		if n == 0 || n > len(rest) || !digits(rest[:n]) {
			return nil, &Refusal{Why: BadField, Text: data, At: len(data) - len(rest) + 1, Detail: "no application identifier"}
		}
		id := rest[:n]
		rest = rest[n:]
		var value string
		if fixed := predefined(id); fixed > 0 {
			if len(rest) < fixed {
				return nil, &Refusal{Why: BadField, Detail: fmt.Sprintf("(%s) wants %d characters, has %d", id, fixed, len(rest))}
			}
			value, rest = rest[:fixed], strings.TrimPrefix(rest[fixed:], string(rune(gs)))
			if !digits(value) {
				return nil, &Refusal{Why: BadField, Detail: fmt.Sprintf("(%s) wants digits, has %s", id, Show(value))}
			}
		} else {
			value, rest, _ = strings.Cut(rest, string(rune(gs)))
		}
		if err := elementFault(id, value); err != nil {
			return nil, err
		}
		fields = append(fields, Field{kind, id, value})
	}
	return fields, nil
}

// identifierLength gives the length of the application identifier that text
// begins with, by its first two digits (GS1 General Specifications, 3.2); 0
// where there is none.
func identifierLength(text string) int {
	if len(text) < 2 || !digits(text[:2]) {
		return 0
	}
	switch text[:2] {
	case "00", "01", "02", "03", "10", "11", "12", "13", "15", "16", "17", "20", "21", "22", "30", "37",
		"90", "91", "92", "93", "94", "95", "96", "97", "98", "99":
		return 2
	case "23", "24", "25", "40", "41", "42", "71":
		return 3
	case "31", "32", "33", "34", "35", "36", "39", "43", "70", "72", "80", "81", "82":
		return 4
	}
	return 0
}

// predefined gives the value length of identifiers whose length is fixed by
// the syntax itself (GS1 General Specifications, 7.8.5), 0 for all others.
func predefined(id string) int {
	switch id[:2] {
	case "00":
		return 18
	case "01", "02", "03":
		return 14
	case "11", "12", "13", "15", "16", "17":
		return 6
	case "20":
		return 2
	case "31", "32", "33", "34", "35", "36":
		return 6
	case "41":
		return 13
	}
	return 0
}

// elementFault checks what the fields that are used here must be like.
func elementFault(id, value string) error {
	switch {
	case value == "":
		return &Refusal{Why: BadField, Detail: fmt.Sprintf("(%s) is empty", id)}
	case (id == "10" || id == "21") && len(value) > 20:
		return &Refusal{Why: BadField, Detail: fmt.Sprintf("(%s) has %d characters, more than 20", id, len(value))}
	case id == "01":
		// Check digit modulo 10, weights 3 and 1 from the right (7.9).
		sum := 0
		for i := range 13 {
			sum += int(value[i]-'0') * (3 - 2*(i%2))
		}
		if want := (10 - sum%10) % 10; int(value[13]-'0') != want {
			return &Refusal{Why: CheckWrong, Text: value, At: 14, Detail: "(01)"}
		}
	}
	return nil
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}
