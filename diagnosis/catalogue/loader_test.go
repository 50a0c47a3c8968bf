package catalogue

import (
	"github.com/stretchr/testify/require"
	"testing"
)

func TestOpen(t *testing.T) {
	c, err := Open()
	require.NoError(t, err)
	k, ok := c.Kind("electric_dryer")
	require.True(t, ok)
	require.NotEmpty(t, k.Checks)
}
