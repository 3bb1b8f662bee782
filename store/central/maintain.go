package central

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// monthsAhead is how many months get their partitions.
const monthsAhead = 12

// partitioned are the tables that are kept by month of arrival.
func partitioned() []string { return []string{"records", "attempts"} }

// Maintain makes the partitions of this month and the twelve that follow, as the
// owner of the tables, and returns the names of those that it made. Rows that came
// before their month had a partition are moved out of the default one. A timer runs
// it; twice does no harm.
func Maintain(ctx context.Context, t *Target, now time.Time) (made []string, err error) {
	c, err := t.connect(ctx)
	if err != nil {
		return nil, err
	}
	defer c.Close(context.WithoutCancel(ctx))
	if err := current(ctx, c); err != nil {
		return nil, err
	}
	first := time.Date(now.UTC().Year(), now.UTC().Month(), 1, 0, 0, 0, 0, time.UTC)
	for k := range monthsAhead + 1 {
		from := first.AddDate(0, k, 0)
		for _, table := range partitioned() {
			name := fmt.Sprintf("%s_%s", table, from.Format("2006_01"))
			did, err := makePartition(ctx, c, table, name, from, from.AddDate(0, 1, 0))
			if err != nil {
				return made, fmt.Errorf("making the partition %s: %w", name, err)
			}
			if did {
				made = append(made, name)
			}
		}
	}
	return made, nil
}

func makePartition(ctx context.Context, c *pgx.Conn, table, name string, from, to time.Time) (did bool, err error) {
	err = pgx.BeginFunc(ctx, c, func(tx pgx.Tx) error {
		var there bool
		if err := tx.QueryRow(ctx, "select to_regclass($1) is not null", "panecal."+name).Scan(&there); err != nil || there {
			return err
		}
		did = true
		span := strings.NewReplacer("NAME", "panecal."+name, "TABLE", "panecal."+table, "FROM", from.Format(time.RFC3339), "TO", to.Format(time.RFC3339))
		var early bool
		if err := tx.QueryRow(ctx, "select exists (select from panecal."+table+"_default where arrived >= $1 and arrived < $2)", from, to).Scan(&early); err != nil {
			return err
		}
		steps := []string{"create table NAME partition of TABLE for values from ('FROM') to ('TO')"}
		if early {
			steps = []string{
				"create table NAME (like TABLE including defaults including constraints including storage)",
				"with gone as (delete from TABLE_default where arrived >= 'FROM' and arrived < 'TO' returning *) insert into NAME select * from gone",
				"alter table TABLE attach partition NAME for values from ('FROM') to ('TO')",
			}
		}
		for _, s := range steps {
			if _, err := tx.Exec(ctx, span.Replace(s)); err != nil {
				return err
			}
		}
		return nil
	})
	return did, err
}
