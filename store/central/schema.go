package central

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// ErrNewer: a later program made the schema.
var ErrNewer = errors.New("the history's schema is of a later program")

// ErrNoSchema: nobody made the schema there.
var ErrNoSchema = errors.New("there is no history at that place")

// Step is one file of the schema.
type Step struct {
	Number int
	Name   string
	SQL    string
}

// Steps returns the files of the schema in their order: 1, 2, 3 and so on.
func Steps() []Step {
	files, err := schemaFiles.ReadDir("schema")
	if err != nil {
		panic(err) // embedded
	}
	var list []Step
	for i, f := range files {
		text, err := schemaFiles.ReadFile("schema/" + f.Name())
		number, nerr := strconv.Atoi(strings.SplitN(f.Name(), "_", 2)[0])
		if err != nil || nerr != nil || number != i+1 {
			panic("schema files are numbered from 1: " + f.Name())
		}
		list = append(list, Step{number, f.Name(), string(text)})
	}
	return list
}

// Codes of PostgreSQL (its manual, appendix A) that are answered here.
const (
	uniqueViolation     = "23505"
	foreignKeyViolation = "23503"
	checkViolation      = "23514"
	undefinedTable      = "42P01"
	undefinedSchema     = "3F000"
	noPrivilege         = "42501"
)

func hasCode(err error, codes ...string) bool {
	var p *pgconn.PgError
	if !errors.As(err, &p) {
		return false
	}
	for _, c := range codes {
		if p.Code == c {
			return true
		}
	}
	return false
}

// Init makes the schema, or brings an older one up to date, and tells each file that
// it carried out. Each is one transaction, whole or not at all; two that do it at once
// do it once. ErrNewer where a later program was there before.
func Init(ctx context.Context, t *Target, told func(name string)) error {
	c, err := t.connect(ctx)
	if err != nil {
		return err
	}
	defer c.Close(context.WithoutCancel(ctx))
	// More than one statement, in the protocol's simple form.
	simple := func(tx pgx.Tx, sql string) error { _, err := tx.Conn().PgConn().Exec(ctx, sql).ReadAll(); return err }
	err = pgx.BeginFunc(ctx, c, func(tx pgx.Tx) error {
		return simple(tx, "create schema if not exists panecal; create table if not exists panecal.versions (number integer primary key, name text not null, applied timestamptz not null default now())")
	})
	if err != nil && !hasCode(err, uniqueViolation) { // made by another at this moment
		return fmt.Errorf("making the schema: %w", err)
	}
	for _, s := range Steps() {
		have, err := version(ctx, c)
		if err != nil {
			return err
		}
		if have >= s.Number {
			continue
		}
		err = pgx.BeginFunc(ctx, c, func(tx pgx.Tx) error {
			// Whoever does the same at once waits here, and then finds it done.
			if _, err := tx.Exec(ctx, "insert into panecal.versions (number, name) values ($1, $2)", s.Number, s.Name); err != nil {
				return err
			}
			return simple(tx, s.SQL)
		})
		if hasCode(err, uniqueViolation) {
			continue
		}
		if err != nil {
			return fmt.Errorf("making the schema, %s: %w", s.Name, err)
		}
		told(s.Name)
	}
	_, err = version(ctx, c)
	return err
}

// version returns the number of the schema that is there, 0 for none yet, and
// ErrNewer where this program does not know it.
func version(ctx context.Context, c querier) (int, error) {
	var have int
	err := c.QueryRow(ctx, "select coalesce(max(number), 0) from panecal.versions").Scan(&have)
	switch newest := len(Steps()); {
	case hasCode(err, undefinedTable, undefinedSchema):
		return 0, fmt.Errorf("%w: `panecal central init URL` makes one", ErrNoSchema)
	case err != nil:
		return 0, fmt.Errorf("reading the version of the history's schema: %w", err)
	case have > newest:
		return have, fmt.Errorf("%w: version %d, this one knows %d: use the newer program", ErrNewer, have, newest)
	}
	return have, nil
}

// current refuses a schema that is not the one that this program writes and reads.
func current(ctx context.Context, c querier) error {
	have, err := version(ctx, c)
	if err == nil && have < len(Steps()) {
		err = fmt.Errorf("%w: its schema is version %d, this program needs %d: `panecal central init URL`, with the owner's role, brings it up to date", ErrNoSchema, have, len(Steps()))
	}
	return err
}

type querier interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}
