package local

import (
	"archive/zip"
	"io"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// zipOne writes a zip archive of one stored file.
func zipOne(t *testing.T, archive, name, from string) {
	t.Helper()
	out, err := os.Create(archive)
	require.NoError(t, err)
	w := zip.NewWriter(out)
	entry, err := w.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
	require.NoError(t, err)
	in, err := os.Open(from)
	require.NoError(t, err)
	defer in.Close()
	_, err = io.Copy(entry, in)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	require.NoError(t, out.Close())
}
