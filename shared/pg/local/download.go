package local

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	embeddedpostgres "github.com/fergusstrange/embedded-postgres"
)

// EnvVersion replaces the version of the downloaded build, as its repository
// spells it.
const EnvVersion = "DRUMLINE_PG_VERSION"

// downloadVersion is the build taken by default.
const downloadVersion = embeddedpostgres.V17

// refusedLocale is no locale, on purpose: see download.
const refusedLocale = "fetch-only"

// download fetches a build into the cluster's directory, or finds it there. The
// library offers one call that fetches, checks the sum, unpacks, and then runs a
// server of its own on a TCP port, which root may not do at all. We want the
// first half: a locale that does not exist makes its initdb decline, and the
// unpacked programs then run our own cluster.
func download(ctx context.Context, c *cluster, opts Options, made int) (installation, error) {
	build := filepath.Join(c.dir, "build")
	if bin, ok := inspect(ctx, filepath.Join(build, "bin")); ok && (made == 0 || made == bin.major) {
		return bin, nil
	}
	if err := ctx.Err(); err != nil {
		return installation{}, err
	}
	config := embeddedpostgres.DefaultConfig().
		Version(downloadVersion).
		Locale(refusedLocale).
		CachePath(filepath.Join(c.dir, "archive")).
		RuntimePath(filepath.Join(c.dir, "fetch")).
		DataPath(filepath.Join(c.dir, "fetch", "data")).
		BinariesPath(build).
		Logger(io.Discard)
	if version := opts.Getenv(EnvVersion); version != "" {
		config = config.Version(embeddedpostgres.PostgresVersion(version))
	}
	if repository := opts.Getenv(EnvRepository); repository != "" {
		config = config.BinaryRepositoryURL(repository)
	}
	port, err := freePort(ctx)
	if err != nil {
		return installation{}, err
	}
	opts.Log("downloading a PostgreSQL build into " + build)
	err = fetch(ctx, embeddedpostgres.NewDatabase(config.Port(port)))
	_ = os.RemoveAll(filepath.Join(c.dir, "fetch"))
	bin, ok := inspect(ctx, filepath.Join(build, "bin"))
	if !ok {
		return installation{}, err
	}
	if bin.major < MinMajor || made != 0 && made != bin.major {
		return installation{}, fmt.Errorf("the build is PostgreSQL %d, need %d", bin.major, max(MinMajor, made))
	}
	return bin, nil
}

// fetch runs the library's start, which takes no context; when ctx ends it goes
// on by itself and what it unpacks is found the next time.
func fetch(ctx context.Context, db *embeddedpostgres.EmbeddedPostgres) error {
	done := make(chan error, 1)
	go func() {
		err := db.Start()
		if err == nil {
			err = errors.Join(errors.New("the build accepts any locale"), db.Stop())
		}
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}
