package central

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// Group is what a login may do in a history.
type Group string

// The groups. A station adds its own rows and sees them; a reader sees all rows and no
// person; an audit sees persons as well.
const (
	Stations Group = "panecal_station"
	Readers  Group = "panecal_reader"
	Audits   Group = "panecal_audit"
)

// Admit lets a login in, as the owner of the tables; one that is not there is made,
// without a password: the site's administrator sets that. A station's login writes as
// that station, which is "" for the other groups.
func Admit(ctx context.Context, t *Target, role string, g Group, station string) error {
	c, err := t.connect(ctx)
	if err != nil {
		return err
	}
	defer c.Close(context.WithoutCancel(ctx))
	if err := current(ctx, c); err != nil {
		return err
	}
	err = pgx.BeginFunc(ctx, c, func(tx pgx.Tx) error {
		var there bool
		if err := tx.QueryRow(ctx, "select exists (select from pg_roles where rolname = $1)", role).Scan(&there); err != nil {
			return err
		}
		name := pgx.Identifier{role}.Sanitize()
		if !there {
			if _, err := tx.Exec(ctx, "create role "+name+" login"); err != nil {
				return err
			}
		}
		if _, err := tx.Exec(ctx, "grant "+string(g)+" to "+name); err != nil {
			return err
		}
		if station == "" {
			return nil
		}
		_, err := tx.Exec(ctx, "insert into panecal.stations (station, role) values ($1, $2) on conflict (station) do nothing", station, role)
		if err != nil {
			return err
		}
		var who string
		if err := tx.QueryRow(ctx, "select role from panecal.stations where station = $1", station).Scan(&who); err != nil {
			return err
		}
		if who != role {
			return fmt.Errorf("station %s is that of the login %s", station, who)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("admitting %s: %w", role, err)
	}
	return nil
}
