package gate

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
)

// Names of the forms of the files.
const (
	QuestionSchema = "panecal.gate_question/1"
	AnswerSchema   = "panecal.gate_answer/1"
	ResultSchema   = "panecal.gate_result/1"
)

// Question is a file in out/: may this unit start?
type Question struct {
	Schema    string    `json:"schema"`
	Request   string    `json:"request"` // names question and answer, never used again
	Station   string    `json:"station"`
	Nest      string    `json:"nest"`
	Serial    string    `json:"serial"`
	UnitID    string    `json:"unit_id"`
	Product   string    `json:"product"`
	WorkOrder string    `json:"work_order"`
	Lot       string    `json:"lot"`
	Attempt   int       `json:"attempt"`
	Asked     time.Time `json:"asked"`
	Expires   time.Time `json:"expires"` // no answer counts from then on
}

// Answer is a file in in/, with the name of its question.
type Answer struct {
	Schema   string    `json:"schema"`
	Request  string    `json:"request"`
	Serial   string    `json:"serial"`
	MayStart *bool     `json:"may_start"`
	Reason   string    `json:"reason"`  // of a no, for the operator
	Expires  time.Time `json:"expires"` // the answer counts until then
}

// Result is a file in out/: how a unit ended. The same record always has the
// same name; told again, it says the same or what became of it since.
type Result struct {
	Schema  string          `json:"schema"`
	Result  string          `json:"result"` // names the record: station, generation, sequence
	Verdict station.Verdict `json:"verdict"`
}

// resultName names a result by its record; names sort as records do.
func resultName(v station.Verdict) string {
	return fmt.Sprintf("result-%s-%04d-%012d", fileName(v.Station), v.Generation, v.Sequence)
}

// fileName makes a name of ours fit for every file system.
func fileName(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '_'
	}, s)
}

// What is read of others is bounded.
const (
	longestAnswer = 16 << 10 // bytes
	longestReason = 120      // characters
)

// errNone: there is no answer yet.
var errNone = errors.New("no answer yet")

// readAnswer reads the answer to a question. The error of a file that is none
// says why, in words fit to be shown.
func readAnswer(path string, q Question, now time.Time) (Answer, error) {
	i, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return Answer{}, errNone
	case err != nil:
		return Answer{}, err
	case !i.Mode().IsRegular():
		return Answer{}, fmt.Errorf("%s is no plain file", filepath.Base(path))
	case i.Size() > longestAnswer:
		return Answer{}, fmt.Errorf("%s is longer than %d bytes", filepath.Base(path), longestAnswer)
	}
	data, err := guard.ReadFile(path)
	if err != nil {
		return Answer{}, err
	}
	var a Answer
	if err := json.Unmarshal(data, &a); err != nil {
		return Answer{}, fmt.Errorf("%s is no answer: %s", filepath.Base(path), visible.Text(err.Error()))
	}
	switch {
	case a.Schema != AnswerSchema:
		err = fmt.Errorf("schema %q, want %q", a.Schema, AnswerSchema)
	case a.Request != q.Request:
		err = fmt.Errorf("it answers another request")
	case a.Serial != q.Serial:
		err = fmt.Errorf("it speaks of another serial")
	case a.MayStart == nil:
		err = errors.New("may_start is missing")
	case a.Expires.IsZero():
		err = errors.New("expires is missing")
	case !now.Before(a.Expires):
		err = errors.New("it has expired")
	case !now.Before(q.Expires):
		err = errors.New("the question has expired")
	}
	if err != nil {
		return Answer{}, fmt.Errorf("%s is ignored: %w", filepath.Base(path), err)
	}
	a.Reason = cut(visible.Text(a.Reason))
	return a, nil
}

func cut(s string) string {
	if utf8.RuneCountInString(s) <= longestReason {
		return s
	}
	return string([]rune(s)[:longestReason-1]) + "…"
}
