package query

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store/record"
)

// WriteAll writes all of the history for people: newest last, as it happened.
// Text of the record is made visible.
func (u *Unit) WriteAll(w io.Writer) error {
	var b bytes.Buffer
	t := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
	line := func(format string, args ...any) {
		for i, a := range args {
			if s, ok := a.(fmt.Stringer); ok {
				a = s.String()
			}
			if s, ok := a.(string); ok {
				args[i] = visible.Text(s)
			}
		}
		fmt.Fprintf(t, format+"\n", args...)
	}
	if !u.Found {
		line("unit %s: not in the log", u.Serial)
	} else {
		line("unit %s: %s", u.Serial, orDash(string(u.Disposition)))
		if u.Simulated {
			line("  SIMULATED\tan invented history: nobody measured anything")
		}
		line("  identity\t%s", orDash(strings.Join(u.UnitIDs, ", ")))
		if len(u.AlsoSeenAs) > 0 {
			line("  ALSO SEEN AS\t%s", strings.Join(u.AlsoSeenAs, ", "))
		}
	}
	for _, e := range u.merged() {
		line("")
		if e.attempt != nil {
			e.attempt.write(line)
			continue
		}
		unfinished := ""
		if e.event.Unfinished {
			unfinished = "  UNFINISHED"
		}
		line("%s  record %s  %s%s", stamp(e.event.Time), e.event.Record.short(), e.event.Text, unfinished)
		if e.event.Later {
			line("  %s", laterText)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

const laterText = "written by a later program: this one reads a part of it"

// happening is an attempt or an event.
type happening struct {
	attempt *Attempt
	event   *Event
}

// merged returns attempts and events in log order.
func (u *Unit) merged() []happening {
	var list []happening
	a, e := u.Attempts, u.Events
	for len(a) > 0 || len(e) > 0 {
		if len(e) == 0 || len(a) > 0 && a[0].Record.before(e[0].Record) {
			list = append(list, happening{attempt: &a[0]})
			a = a[1:]
		} else {
			list = append(list, happening{event: &e[0]})
			e = e[1:]
		}
	}
	return list
}

func (r Ref) before(o Ref) bool {
	return r.Generation < o.Generation || r.Generation == o.Generation && r.Sequence < o.Sequence
}

func (r Ref) short() string { return fmt.Sprintf("%s/%d/%d", r.Station, r.Generation, r.Sequence) }

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

func (a *Attempt) write(line func(string, ...any)) {
	line("%s  record %s  attempt %d (%s): %s, %s", stamp(a.Time), a.Record.short(), a.AttemptNo, string(a.Purpose), string(a.Outcome), orDash(string(a.Disposition)))
	line("  bins\tsoft %d %s, hard %d", a.SoftBin, a.SoftName, a.HardBin)
	if a.Later {
		line("  %s", laterText)
	}
	if a.Instruction != "" {
		line("  instruction\t%s", a.Instruction)
	}
	confirmed := "confirmed"
	if !a.LabelConfirmed {
		confirmed = "NOT CONFIRMED"
	}
	line("  label\t%s (%s, tie %s), unit %s, firmware %s", a.Label, confirmed, orDash(a.LabelTie), orDash(a.UnitID), orDash(a.Firmware))
	line("  where\tstation %s, nest %s, operator %s, software %s", a.Record.Station, orDash(a.Nest), orDash(a.Operator), orDash(a.Software))
	line("  order\t%s, lot %s", orDash(a.WorkOrder), orDash(a.Lot))
	if a.WindowLot+a.GasketLot+a.EmitterLot != "" {
		line("  parts\twindow lot %s, gasket lot %s, emitter lot %s", orDash(a.WindowLot), orDash(a.GasketLot), orDash(a.EmitterLot))
	}
	for _, r := range []struct {
		what string
		Revision
	}{{"product", a.Product}, {"limits", a.Limits}, {"sheet", a.Sheet}, {"roster", a.Roster}} {
		if r.Rev != "" || r.Name != "" {
			signed := "unsigned"
			if r.Signed {
				signed = "signed"
			}
			line("  %s\t%s %.12s (%s)", r.what, r.Name, r.Rev, signed)
		}
	}
	line("  target\t%s ± %s mm, fixture %s, certificate %s due %s", a.Target.DistanceMM, a.Target.DistanceUMM, orDash(a.Target.Fixture), orDash(a.Target.Certificate), orDash(a.Target.Due))
	for _, p := range a.Problems {
		line("  problem\t%s in %s: %s", p.Code, orDash(p.Step), p.Chain)
	}
	for _, f := range a.CaptureFaults {
		line("  capture fault\t%s in %s, zones %s", f.Code, f.Capture, record.ZoneList(f.Zones, len(a.Zones)))
	}
	for _, d := range quantity.All() {
		q, ok := a.Quantities[string(d.Name)]
		if !ok {
			continue
		}
		line("  %s\t%s ± %s %s%s", string(d.Name), q.Value, q.U, q.Unit, a.judged(string(d.Name)))
	}
	for _, b := range a.Budget {
		line("  budget %s\t%s mm", b.Line, b.MM)
	}
	switch {
	case a.Void == string(record.VoidBare):
		line("  void\tbears no witness: the unit's firmware knows none")
	case a.Void != "" && a.Intent != nil:
		line("  void\tbears record %s/%d/%d, intent %.32s", a.Intent.Station, a.Intent.Generation, a.Intent.Sequence, a.Intent.Hash)
	}
	if c := a.Constants; c != nil {
		back := "read back EQUAL"
		if !c.Equal {
			back = "read back DIFFERENT"
		}
		line("  constants\t%d bytes, %s, %s", len(c.Written)/2, orDash(c.State), back)
	}
	for _, c := range a.Captures {
		line("  capture %s\t%.16s… in segment %d at %d, %d bytes", c.Name, c.Hash, c.Segment, c.Offset, c.Length)
	}
	for _, m := range a.Maps() {
		if a.Rows*a.Cols < 2 {
			break // the quantities say it
		}
		for _, text := range strings.Split(strings.TrimRight(m.Text(78), "\n"), "\n") {
			line("  %s", text)
		}
	}
	line("  line\t%d requests, %d retries, %d bad packets, %d dropped", a.Wire.Requests, a.Wire.Retries, a.Wire.BadPackets, a.Wire.Dropped)
}

// judged says how a quantity stood to its limits.
func (a *Attempt) judged(name string) string {
	for _, l := range a.Lines {
		if l.Name == name {
			verdict := "passed"
			if !l.Passed {
				verdict = "FAILED"
			}
			return fmt.Sprintf("  [%s … %s] k %s %s", l.Lower, l.Upper, l.K, verdict)
		}
	}
	return ""
}
