package audit_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/audit"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

type head struct{ Version int }

type thing struct {
	head
	Name      string
	TimeZone  string
	OldPartID *int
	Tags      []string
	hidden    int
}

func TestDiffNamesFieldsNotValues(t *testing.T) {
	one, also, two := 1, 1, 2
	before := thing{head: head{1}, Name: "secret", TimeZone: "UTC", OldPartID: &one, Tags: []string{"a"}, hidden: 1}
	for _, c := range []struct {
		edit func(*thing)
		want []string
	}{
		{func(*thing) {}, nil},
		{func(x *thing) { x.Version, x.hidden = 2, 2 }, nil},
		{func(x *thing) { x.OldPartID = &also }, nil},
		{func(x *thing) { x.Name, x.TimeZone = "other", "x" }, []string{"name", "time_zone"}},
		{func(x *thing) { x.OldPartID = &two }, []string{"old_part_id"}},
		{func(x *thing) { x.Tags = nil }, []string{"tags"}},
	} {
		after := before
		c.edit(&after)
		require.Equal(t, c.want, audit.Diff(before, after))
	}
}

func TestTrailIsWrittenWithItsCause(t *testing.T) {
	db, err := pg.Open(t.Context(), pgtest.New(t).AppURL, pg.Options{})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	at := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	sys := domain.System(domain.NewID(at), "import")
	id := domain.NewID(at)
	boom := domain.Errorf(domain.Conflict, "no")
	write := func(fail error) error {
		return db.Write(t.Context(), sys, nil, func(ctx context.Context, tx *pg.Tx) error {
			b := &pgx.Batch{}
			audit.Queue(b, tx.P, at, audit.Entry{Action: "changed", Entity: "unit", ID: id, Fields: []string{"serial"}})
			if err := tx.Send(ctx, b); err != nil {
				return err
			}
			return fail
		})
	}
	require.ErrorIs(t, write(boom), boom)
	require.NoError(t, write(nil))
	var rows []struct {
		Actor  string    `db:"actor"`
		Person domain.ID `db:"person_id"`
		Fields []string  `db:"fields"`
	}
	require.NoError(t, db.Read(t.Context(), sys, func(b *pgx.Batch) {
		pg.All(b, &rows, `SELECT actor, person_id, fields FROM audit WHERE shop_id = $1`, sys.Shop)
	}))
	require.Len(t, rows, 1, "what was rolled back left no trace")
	require.Equal(t, "import", rows[0].Actor)
	require.True(t, rows[0].Person.IsZero())
	require.Equal(t, []string{"serial"}, rows[0].Fields)
}
