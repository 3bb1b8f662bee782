package roster

import (
	"fmt"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// Day is a date as it stands in a file. The zero value is none.
type Day struct{ year, month, day int }

// DayOf is the date of a time where the site is.
func DayOf(t time.Time, site *time.Location) Day {
	y, m, d := t.In(site).Date()
	return Day{y, int(m), d}
}

// IsZero reports whether there is no date.
func (d Day) IsZero() bool { return d == Day{} }

// End is when the day is over where the site is: 23, 24 or 25 hours after it
// began.
func (d Day) End(site *time.Location) time.Time {
	return time.Date(d.year, time.Month(d.month), d.day+1, 0, 0, 0, 0, site)
}

// Over reports whether the day has ended; never for none.
func (d Day) Over(now time.Time, site *time.Location) bool {
	return !d.IsZero() && !now.Before(d.End(site))
}

// Left is how many days come after today until the date is over: 0 on the day
// itself, less when it has passed.
func (d Day) Left(now time.Time, site *time.Location) int {
	t := DayOf(now, site)
	utc := func(d Day) time.Time { return time.Date(d.year, time.Month(d.month), d.day, 0, 0, 0, 0, time.UTC) }
	return int(utc(d).Sub(utc(t)).Hours() / 24)
}

// String returns the date as RFC 3339 writes it.
func (d Day) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.year, d.month, d.day) }

// readDay takes a date as TOML has it, in quotes or not; of a time, its date
// where it was written.
func readDay(v any) (Day, bool) {
	switch v := v.(type) {
	case nil:
		return Day{}, true
	case toml.LocalDate:
		return Day{v.Year, v.Month, v.Day}, true
	case time.Time:
		return DayOf(v, v.Location()), true
	case string:
		t, err := time.Parse(time.DateOnly, v)
		return DayOf(t, time.UTC), err == nil
	}
	return Day{}, false
}
