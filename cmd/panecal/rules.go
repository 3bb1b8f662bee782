package main

import (
	"fmt"
	"regexp"
	"slices"
	"time"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// rules are what panecal.toml says about how the station is run. All of it may
// be left out.
type rules struct {
	shift.Rules
	sameInARow int
	checkEvery time.Duration
	checkUnits []string // serials; see checkedUnits
	boxSize    int
}

// defaultSame is how many units in a row may fail the same way.
const defaultSame = 3

// asked are the pages by the words of the configuration.
func asked() ([]string, []shift.PageKind) {
	return []string{"order", "quantity", "windows", "gaskets", "emitters"},
		[]shift.PageKind{shift.OrderPage, shift.QuantityPage, shift.WindowPage, shift.GasketPage, shift.EmitterPage}
}

// readRules checks the keys about the shift.
func (c *configuration) readRules(d *strict.Document) {
	s := rules{sameInARow: defaultSame}
	for _, p := range []struct {
		key, text, such string
		to              **regexp.Regexp
	}{
		{"badge", c.Badge, "[0-9]{4,8}", &s.Badge}, {"order_pattern", c.OrderPattern, "WO-[0-9]+", &s.Order}, {"lot_pattern", c.LotPattern, "[A-Z]-[0-9]{4}-[0-9]+", &s.Lot}, {"box_pattern", c.BoxPattern, "B-[0-9]+", &s.Box},
	} {
		if p.text == "" {
			continue
		}
		if _, err := regexp.Compile(p.text); err != nil {
			d.Report(err.Error(), fmt.Sprintf("write a regular expression, such as %q", p.such), p.key)
			continue
		}
		*p.to = regexp.MustCompile(`\A(?:` + p.text + `)\z`)
	}
	c.site = time.Local
	if c.Zone != "" {
		site, err := time.LoadLocation(c.Zone)
		if err != nil {
			d.Report(fmt.Sprintf("there is no zone %q", c.Zone), `write the site's zone as the IANA database names it, such as "Europe/Berlin"`, "zone")
		} else {
			c.site = site
		}
	}
	if c.Keys != "" && c.Roster != "" {
		d.Report("there is a roster too", "write the keys into the roster, and leave keys out", "keys")
	}
	words, kinds := asked()
	s.Ask = kinds
	if d.Has("ask") {
		s.Ask = nil
		for i, word := range c.Ask {
			k := slices.Index(words, word)
			if k < 0 {
				d.Report(fmt.Sprintf("%q is nothing that can be asked", word), fmt.Sprintf("use some of %q", words), "ask", fmt.Sprint(i))
				continue
			}
			s.Ask = append(s.Ask, kinds[k])
		}
	}
	if d.Has("same_failures") {
		s.sameInARow = c.SameFailures
		if c.SameFailures < 0 {
			d.Report("a negative number of units", "write how many in a row stop a nest, 0 for never", "same_failures")
		}
	}
	if c.CheckEvery != "" {
		every, err := time.ParseDuration(c.CheckEvery)
		if err != nil || every <= 0 {
			d.Report(fmt.Sprintf("%q is no time", c.CheckEvery), `write a time such as "8h"`, "check_every")
		}
		s.checkEvery = every
	}
	if c.TaktS < 0 {
		d.Report("a negative time", "write the seconds that a unit may take", "takt_s")
	} else if c.TaktS > 0 {
		s.Takt = 3600 / c.TaktS
	}
	if _, ok := screen.NewLanguage(c.Language); !ok {
		d.Report(fmt.Sprintf("there is no language %q", c.Language), fmt.Sprintf("use one of %q", screen.Languages()), "language")
	}
	if c.BoxSize < 0 || c.BoxSize == 0 && (c.BoxScan || c.BoxPattern != "") {
		d.Report(fmt.Sprintf("a box of %d units has no number", c.BoxSize), "write box_size = 24, the good units that a box takes; or none of box_size, box_pattern, box_scan", "box_size")
	}
	s.Persons, s.Site, s.boxSize = c.Persons, c.site, c.BoxSize
	if c.ScannerBaud < 0 {
		d.Report("a negative speed", "write the scanner's speed, such as 9600", "scanner_baud")
	}
	c.rules = s
}
