package seed

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
	"drumline/domain/people"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

func options(t *testing.T, scale float64) Options {
	t.Helper()
	url, err := URL(pgtest.New(t).AppURL)
	require.NoError(t, err)
	db, err := pg.Open(t.Context(), url, pg.Options{Access: people.Access})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	cat, err := catalogue.Open()
	require.NoError(t, err)
	return Options{Seed: DefaultSeed, Scale: scale, Now: time.Date(2026, 3, 4, 15, 0, 0, 0, time.UTC), DB: db, Keys: people.NewKeyring("drumline", "k"), Catalogue: cat}
}

func TestRunFillsBothShops(t *testing.T) {
	o := options(t, 0.3)
	start := time.Now()
	require.NoError(t, Run(context.Background(), o))
	t.Log(time.Since(start))
}
