package supplements

import (
	"errors"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
)

func TestPointersOfFlaws(t *testing.T) {
	for path, want := range map[string]string{"": "", "title": "/title", "checks[0].id": "/checks/0/id",
		"checks[12].findings[3].weights.own_x": "/checks/12/findings/3/weights/own_x"} {
		require.Equal(t, want, Pointer(path))
	}
}

// A book asks once for each edition, never for the built-in catalogue, and
// stays within its bound.
func TestABookKeepsItsPages(t *testing.T) {
	base, err := catalogue.Open()
	require.NoError(t, err)
	b, asked := NewBook(base), 0
	shop := domain.NewID(time.Unix(0, 0))
	ask := func(edition int64) *catalogue.Catalogue {
		c, err := b.page(page{shop, edition}, func(func(*pgx.Batch)) error { asked++; return nil })
		require.NoError(t, err)
		return c
	}
	require.Same(t, base, ask(0))
	require.Zero(t, asked)
	require.Same(t, ask(1), ask(1))
	require.Equal(t, 1, asked)
	for i := range int64(2 * maxPages) {
		ask(i + 1)
	}
	require.Len(t, b.pages, maxPages)

	_, err = b.page(page{shop, 5000}, func(func(*pgx.Batch)) error { return errors.New("gone") })
	require.ErrorContains(t, err, "gone")
	require.NotSame(t, base, ask(5000), "a failure is not kept")
}
