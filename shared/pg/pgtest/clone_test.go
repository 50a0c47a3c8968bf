package pgtest_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/pg/pgtest"
)

// A clone is to cost less than a test minds. Here it takes some 30 ms in memory
// and 70 ms on disk; the bound only notices when clones turn into migrations.
func TestClonesAreCheap(t *testing.T) {
	pgtest.New(t)
	var best time.Duration
	for range 5 {
		start := time.Now()
		pgtest.New(t)
		if took := time.Since(start); best == 0 || took < best {
			best = took
		}
	}
	t.Logf("best of five clones: %v", best)
	require.Less(t, best, 400*time.Millisecond)
}
