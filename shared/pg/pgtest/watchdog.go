package pgtest

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"drumline/shared/pg/local"
)

// envWatchdog turns a test program into the watchdog of the directory it names.
const envWatchdog = "DRUMLINE_PGTEST_WATCHDOG"

// idle is how long an unused server is kept for the next test program.
const idle = time.Minute

// A test program has no last moment that is sure to come, so no test program can
// be the one to stop the server. Each holds a shared lock on one file for life;
// a watchdog, the same program started once more, waits until nobody does.
func init() {
	if dir := os.Getenv(envWatchdog); dir != "" {
		watch(dir)
		os.Exit(0)
	}
}

// users keeps the shared lock for as long as the process lives.
var users *os.File

// join marks this process as a user of the server and sees to it that a watchdog
// is about.
func join(ctx context.Context, dir string) error {
	if users == nil {
		file, err := os.OpenFile(filepath.Join(dir, "users.lock"), os.O_CREATE|os.O_RDWR, 0o600)
		if err != nil {
			return err
		}
		// Waits while the watchdog is clearing away.
		if err := flock(ctx, file, syscall.LOCK_SH); err != nil {
			return errors.Join(err, file.Close())
		}
		users = file
	}
	return startWatchdog(ctx, dir)
}

// startWatchdog starts the watchdog unless one holds its lock.
func startWatchdog(ctx context.Context, dir string) error {
	file, err := os.OpenFile(watchdogLock(dir), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	cmd := exec.Command(self)
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), envWatchdog+"="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	// The watchdog is handed the lock itself, so there is never a second one.
	cmd.ExtraFiles = []*os.File{file}
	if err := cmd.Start(); err != nil {
		return err
	}
	return cmd.Process.Release()
}

// watch waits until the server has had no user for the idle time, then removes it.
func watch(dir string) {
	keep := idle
	if d, err := time.ParseDuration(os.Getenv(EnvIdle)); err == nil {
		keep = d
	}
	handed := os.NewFile(3, "watchdog.lock")
	file, err := os.OpenFile(filepath.Join(dir, "users.lock"), os.O_RDWR, 0)
	if err != nil {
		return
	}
	step := max(min(keep/10, time.Second), 10*time.Millisecond)
	for quiet := time.Duration(0); ; time.Sleep(step) {
		if syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil {
			quiet = 0
			continue
		}
		if quiet += step; quiet > keep {
			break
		}
		_ = syscall.Flock(int(file.Fd()), syscall.LOCK_UN)
	}
	clear(dir)
	// In this order: who waits for the users' lock then finds no watchdog and
	// starts its own.
	_ = handed.Close()
	_ = file.Close()
}

// clear stops and removes the server. There is nobody left to tell of a failure;
// the next test program starts afresh over whatever remains.
func clear(dir string) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	s, err := readState(dir)
	if err == nil && s.Container != "" {
		_ = removeContainer(ctx, s.Container)
	}
	if err == nil && s.Cluster != "" && local.Stop(ctx, clusterOptions(s.Cluster, false)) == nil {
		_ = os.RemoveAll(s.Cluster)
	}
	_ = os.Remove(stateFile(dir))
}

func watchdogLock(dir string) string { return filepath.Join(dir, "watchdog.lock") }

// flock takes a lock, waiting for it until ctx ends.
func flock(ctx context.Context, file *os.File, how int) error {
	for {
		err := syscall.Flock(int(file.Fd()), how|syscall.LOCK_NB)
		if err == nil {
			return nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}
