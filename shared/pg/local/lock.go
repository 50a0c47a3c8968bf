package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// Lock takes an exclusive lock on a file, made if missing, and waits for it until
// ctx ends. The lock goes with the process, however it ends.
func Lock(ctx context.Context, path string) (unlock func(), err error) {
	file, err := openLock(path)
	if err != nil {
		return nil, err
	}
	for {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return func() { _ = file.Close() }, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR) {
			_ = file.Close()
			return nil, fmt.Errorf("locking %s: %w", path, err)
		}
		select {
		case <-ctx.Done():
			_ = file.Close()
			return nil, fmt.Errorf("waiting for the lock %s, which another process holds: %w", path, ctx.Err())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// openLock opens a lock file that no child process inherits.
func openLock(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
}
