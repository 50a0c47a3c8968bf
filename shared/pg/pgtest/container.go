package pgtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"time"

	"github.com/moby/moby/client"
	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/wait"
)

// EnvImage replaces the image of the container; EnvPull replaces how long to
// wait for an image that is not there yet, as Go writes durations.
const (
	EnvImage = "DRUMLINE_PGTEST_IMAGE"
	EnvPull  = "DRUMLINE_PGTEST_PULL"
)

const (
	defaultImage = "postgres:17-alpine"
	defaultPull  = 90 * time.Second
	// engineWait bounds asking whether an engine is there: none is known in a
	// millisecond, and one that does not answer must not hold the tests up.
	engineWait = 3 * time.Second
)

// startContainer starts PostgreSQL in a container that all test programs share.
// The library's own clean-up container is left out: it would take the server
// from the other programs when the first one ends. Our watchdog does that work.
func startContainer(ctx context.Context) (state, error) {
	if err := os.Setenv("TESTCONTAINERS_RYUK_DISABLED", "true"); err != nil {
		return state{}, err
	}
	provider, err := engine(ctx)
	if err != nil {
		return state{}, err
	}
	defer provider.Close()
	image := os.Getenv(EnvImage)
	if image == "" {
		image = defaultImage
	}
	if err := pull(ctx, provider, image); err != nil {
		return state{}, fmt.Errorf("image %s: %w", image, err)
	}
	return runContainer(ctx, image)
}

// engine returns the container engine, or an error at once where none answers.
func engine(ctx context.Context) (*testcontainers.DockerProvider, error) {
	type answer struct {
		provider *testcontainers.DockerProvider
		err      error
	}
	ctx, cancel := context.WithTimeout(ctx, engineWait)
	defer cancel()
	// The constructor asks the engine and takes no context, hence the channel.
	found := make(chan answer, 1)
	go func() {
		provider, err := testcontainers.NewDockerProvider(testcontainers.WithLogger(log.New(io.Discard, "", 0)))
		if err == nil {
			err = provider.Health(ctx)
		}
		found <- answer{provider, err}
	}()
	select {
	case a := <-found:
		return a.provider, a.err
	case <-ctx.Done():
		return nil, fmt.Errorf("no engine answers: %w", ctx.Err())
	}
}

// pull fetches the image within the bound unless it is there.
func pull(ctx context.Context, provider *testcontainers.DockerProvider, image string) error {
	bound := defaultPull
	if d, err := time.ParseDuration(os.Getenv(EnvPull)); err == nil {
		bound = d
	}
	ctx, cancel := context.WithTimeout(ctx, bound)
	defer cancel()
	if _, err := provider.Client().ImageInspect(ctx, image); err == nil {
		return nil
	}
	return provider.PullImage(ctx, image)
}

// runContainer starts the server and waits until it answers twice over: the
// image runs it once to make the cluster and then for good.
func runContainer(ctx context.Context, image string) (state, error) {
	c, err := testcontainers.GenericContainer(ctx, testcontainers.GenericContainerRequest{
		Started: true,
		Logger:  log.New(io.Discard, "", 0),
		ContainerRequest: testcontainers.ContainerRequest{
			Image:        image,
			ExposedPorts: []string{"5432/tcp"},
			Env: map[string]string{
				"POSTGRES_USER": "drumline_admin", "POSTGRES_PASSWORD": password, "POSTGRES_DB": "postgres",
				"POSTGRES_INITDB_ARGS": "--encoding=UTF8 --locale=C.UTF-8",
			},
			Cmd: []string{"postgres", "-c", "fsync=off", "-c", "synchronous_commit=off",
				"-c", "full_page_writes=off", "-c", "max_connections=200"},
			WaitingFor: wait.ForAll(
				wait.ForLog("database system is ready to accept connections").WithOccurrence(2),
				wait.ForListeningPort("5432/tcp"),
			).WithDeadline(time.Minute),
		},
	})
	if err != nil {
		if c != nil {
			err = errors.Join(err, c.Terminate(context.WithoutCancel(ctx)))
		}
		return state{}, err
	}
	address, err := c.PortEndpoint(ctx, "5432/tcp", "")
	if err != nil {
		return state{}, errors.Join(err, c.Terminate(context.WithoutCancel(ctx)))
	}
	return state{
		URL:       fmt.Sprintf("postgres://drumline_admin:%s@%s/postgres?sslmode=disable", password, address),
		Container: c.GetContainerID(),
	}, nil
}

// removeContainer ends the shared container.
func removeContainer(ctx context.Context, id string) error {
	provider, err := engine(ctx)
	if err != nil {
		return err
	}
	defer provider.Close()
	_, err = provider.Client().ContainerRemove(ctx, id, client.ContainerRemoveOptions{Force: true, RemoveVolumes: true})
	return err
}
