package station

import (
	"fmt"
	"slices"
	"strings"
)

// Code names one thing the station can say. Codes are stable: records,
// scripts and translations use them; the sentences may change.
type Code string

// Class says what kind of thing a code speaks of.
type Class string

// The classes. UnitFailed, CaptureBad and NotRunning are the three classes of
// failure.
const (
	Guide      Class = "guide"   // what the hands do next; nothing is wrong
	Notice     Class = "notice"  // something to know
	Refused    Class = "refused" // a scan, a unit or a file was not accepted; nothing was measured
	UnitFailed Class = "unit"    // the unit failed: bin, disposition, one instruction
	CaptureBad Class = "capture" // the capture was bad: one instruction, the same attempt goes on, bounded
	Broken     Class = "error"   // the attempt could not be finished: outcome error or aborted, hold
	NotRunning Class = "stop"    // the nest or the station may not run
)

// Lift says who may end what a code says.
type Lift string

// Who may lift a stop.
const (
	LiftNobody      Lift = ""                         // nothing to lift
	LiftItself      Lift = "itself"                   // ends when the cause has gone
	LiftLead        Lift = "line lead"                // badge and PIN at the station; a restart on record where there is no roster
	LiftMaintenance Lift = "maintenance or line lead" // badge and PIN of either; a restart on record where there is no roster
	LiftEngineer    Lift = "engineer"                 // a new station sheet, or a start with a whole log
)

// Args are what a sentence can name; a placeholder like {label} stands for
// the field of that name.
type Args struct {
	Nest   string // name of the nest, or of several
	Label  string
	Bin    string // hard bin
	Other  Arg    // another unit, label, nest or bin
	Detail Arg    // quantity, reason, error, version
}

// Meaning is one row of the table of codes.
type Meaning struct {
	Code     Code
	Class    Class
	Sentence string // one sentence for the operator, with {placeholders}
	Action   string // one action, imperative; "" where the sentence is the action
	Lift     Lift
}

// Codes returns the whole table. The slice is the caller's.
func Codes() []Meaning { return slices.Clone(meanings) }

// Meaning returns the code's row; for a code that is not in the table, which
// a newer station may have recorded, a row that shows the code itself.
func (c Code) Meaning() Meaning {
	for _, m := range meanings {
		if m.Code == c {
			return m
		}
	}
	return Meaning{Code: c, Class: Broken, Sentence: fmt.Sprintf("Code %s, unknown to this version.", string(c)),
		Action: "Tell the test engineer."}
}

// Say returns the code's sentence as records and logs have it: in English,
// quantities by their names.
func (c Code) Say(a Args) string { return a.fill(c.Meaning().Sentence) }

// Do returns the code's action with its placeholders filled.
func (c Code) Do(a Args) string { return a.fill(c.Meaning().Action) }

func (a Args) fill(text string) string {
	return strings.NewReplacer("{nest}", a.Nest, "{label}", a.Label, "{bin}", a.Bin, "{other}", said(a.Other),
		"{detail}", said(a.Detail)).Replace(text)
}

// What the hands do.
const (
	HandsScan     Code = "scan"
	HandsSeat     Code = "seat"
	HandsSeatHere Code = "seat_here"
	HandsReseat   Code = "reseat"
	HandsTakeOut  Code = "take_out_first"
	HandsClear    Code = "clear_field"
	HandsTarget   Code = "bring_target"
	HandsTargetIn Code = "target_in"
	HandsWait     Code = "wait"
	HandsConfirm  Code = "confirm_retest"
	HandsPassed   Code = "take_passed"
	HandsFailed   Code = "take_failed"
	HandsHeld     Code = "take_held"
	HandsChecked  Code = "take_check_passed"
	HandsCheckBad Code = "take_check_failed"
	HandsTurned   Code = "take_refused"
	HandsReject   Code = "scan_reject"
	HandsStopped  Code = "stopped"
	HandsStarting Code = "starting"
	HandsLeaving  Code = "leaving"
	HandsEmitter  Code = "cut_power"
	HandsNoPorts  Code = "no_ports"
	HandsBoxFull  Code = "box_full"
	HandsBoxOpen  Code = "open_box"
	HandsBoxScan  Code = "scan_box"
	HandsLid      Code = "close_lid"
	HandsStray    Code = "take_unreadable"
)

// Something to know.
const (
	NoticePassed      Code = "passed"
	NoticeAgain       Code = "shown_again"
	NoticeFiles       Code = "files_taken_up"
	NoticeLabelLeft   Code = "label_expired"
	NoticeLabelNew    Code = "label_replaced"
	NoticeTwice       Code = "scanned_twice"
	NoticeUnfinished  Code = "unfinished_before"
	NoticeResolved    Code = "mark_resolved"
	NoticeStopLifted  Code = "stop_lifted"
	NoticeUnconfirmed Code = "label_not_confirmed"
	NoticeIgnored     Code = "not_now"
	NoticeDark        Code = "emitter_off"
	NoticeClock       Code = "clock_put_back"
	NoticeCheckpoint  Code = "checkpoint_not_written"
	NoticeDamage      Code = "log_damaged"
	NoticeCheckDue    Code = "check_unit_due"
	NoticeCheckOver   Code = "check_unit_overdue"
	NoticeCheckFirst  Code = "check_unit_wanted"
	NoticeCutLit      Code = "cut_off_unconfirmed"
	NoticeCutDark     Code = "cut_off"
	NoticeDueSoon     Code = "certificate_ends"
	NoticeHeldInBox   Code = "held_in_box"
	NoticeNamed       Code = "named_by_unit"
	NoticeSilent      Code = "gate_awaited"
	NoticeUngated     Code = "gate_passed_over"
)

// Not accepted.
const (
	RefusedLabel       Code = "label_unreadable"
	RefusedCapsLock    Code = "caps_lock"
	RefusedLayout      Code = "keyboard_layout"
	RefusedLabelBusy   Code = "label_in_nest"
	RefusedNest        Code = "nest_unknown"
	RefusedNestBusy    Code = "nest_not_empty"
	RefusedNoNest      Code = "no_empty_nest"
	RefusedStopped     Code = "not_running"
	RefusedUnlisted    Code = "label_not_listed"
	RefusedProduct     Code = "wrong_product"
	RefusedFirmware    Code = "wrong_firmware"
	RefusedVersion     Code = "wrong_protocol"
	RefusedShape       Code = "wrong_shape"
	RefusedCap         Code = "attempts_used_up"
	RefusedPassed      Code = "passed_before"
	RefusedGate        Code = "gate_refused"
	RefusedSilent      Code = "gate_silent"
	RefusedFiles       Code = "files_refused"
	RefusedUnitFault   Code = "unit_reports_fault"
	RefusedLabelReject Code = "reject_label_differs"
	RefusedCheckFirst  Code = "check_unit_first"
	RefusedEnded       Code = "files_ended"
	RefusedRework      Code = "rework_first"
	RefusedBox         Code = "no_box"
	RefusedUnreadable  Code = "label_missing"
	RefusedRelabelled  Code = "relabelled"
	RefusedReworks     Code = "reworks_before"
	RefusedHeld        Code = "unit_on_hold"
	RefusedScrapped    Code = "unit_scrapped"
)

// The unit failed.
const (
	FailedLimits   Code = "out_of_limits"
	FailedNoAnswer Code = "no_answer"
	FailedWrite    Code = "write_refused"
	FailedReadBack Code = "readback_differs"
	FailedVerify   Code = "verify_failed"
	FailedLabel    Code = "label_contradiction"
	FailedReworks  Code = "reworks_used_up"
)

// The capture was bad.
const (
	BadStray     Code = "stray"
	BadFrames    Code = "frames"
	BadAmbient   Code = "ambient"
	BadSaturated Code = "saturated"
	BadDead      Code = "dead_zones"
	BadHot       Code = "hot_zones"
	BadLeakage   Code = "leakage_changed"
	BadMisfit    Code = "misfit"
	BadMissing   Code = "target_missing"
	BadPlace     Code = "target_misplaced"
	BadUnsure    Code = "not_told_apart"
	BadEnd       Code = "capture_cut_short"
)

// The attempt could not be finished.
const (
	BrokenCapture  Code = "capture_given_up"
	BrokenTarget   Code = "no_target"
	BrokenLost     Code = "unit_lost"
	BrokenReset    Code = "unit_reset"
	BrokenRefused  Code = "unit_refused"
	BrokenGarbled  Code = "malformed_answer"
	BrokenContents Code = "contents_unknown"
	BrokenUnsound  Code = "unit_unsound"
	BrokenEstimate Code = "estimation_failed"
	BrokenEmitter  Code = "emitter_unconfirmed"
	BrokenMark     Code = "mark_unconfirmed"
	BrokenInternal Code = "internal_error"
	BrokenLid      Code = "lid_left_open"
	BrokenFixture  Code = "fixture_in_attempt"
	BrokenSkipped  Code = "skipped"
	BrokenShutdown Code = "shut_down"
	BrokenPaused   Code = "time_stood_still"
	BrokenHold     Code = "engineering_hold"
	BrokenWitness  Code = "witness_different"
	BrokenUnknown  Code = "witness_missing"
	BrokenForked   Code = "witness_forked"
	BrokenUnmarked Code = "not_released_before"
	BrokenDecided  Code = "held_meanwhile"
)

// A nest or the station may not run.
const (
	StopPort     Code = "port_missing"
	StopNoAnswer Code = "no_answer_in_a_row"
	StopSame     Code = "same_failure_in_a_row"
	StopFixture  Code = "fixture_fault"
	StopDue      Code = "certificate_overdue"
	StopStore    Code = "store_failed"
	StopOffset   Code = "equal_shifts_in_a_row"
	StopClock    Code = "clock_wrong"
	StopCheck    Code = "check_unit_not_passed"
	StopWorker   Code = "nest_failed"
	StopLine     Code = "line"
)
