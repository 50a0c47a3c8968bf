package local

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is who the server runs as. PostgreSQL refuses to run as root.
type account struct {
	name     string
	uid, gid int
	// other is set where the account is not the one we run as.
	other bool
}

// serverAccount returns our own account, or for root an unprivileged one:
// postgres where it exists, nobody otherwise.
func serverAccount() (account, error) {
	if os.Geteuid() != 0 {
		return account{name: "you", uid: os.Geteuid(), gid: os.Getegid()}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err1 == nil && err2 == nil && uid != 0 {
			return account{name: name, uid: uid, gid: gid, other: true}, nil
		}
	}
	return account{}, errors.New("PostgreSQL does not run as root and there is no account postgres or nobody " +
		"to run it as: run this as an ordinary user")
}

// command prepares a program to run as the account, with none of our PG*
// variables: PGPORT alone would move the server to another port.
func (a account) command(dir, name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	cmd.Env = []string{"LC_ALL=C", "TZ=UTC", "HOME=" + dir}
	for _, key := range []string{"PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if value := os.Getenv(key); value != "" {
			cmd.Env = append(cmd.Env, key+"="+value)
		}
	}
	// A session of its own, so that Ctrl-C reaches us and not the server.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if a.other {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return cmd
}

// mkdir makes a directory that belongs to the account and to nobody else, or
// checks that one that is there does: in a shared place somebody might have put
// it there for us.
func (a account) mkdir(dir string) error {
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	err := os.Mkdir(dir, 0o700)
	if err == nil && a.other {
		return os.Chown(dir, a.uid, a.gid)
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return err
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok || !info.IsDir() || int(stat.Uid) != a.uid || info.Mode().Perm() != 0o700 {
		return fmt.Errorf("%s is there already but is not a directory of %s with mode 0700: remove it", dir, a.name)
	}
	return nil
}

// reaches tells whether the account may enter dir or, where dir is missing, the
// nearest ancestor that exists.
func (a account) reaches(dir string) bool {
	for ; ; dir = filepath.Dir(dir) {
		info, err := os.Stat(dir)
		if err == nil && !a.enters(info) {
			return false
		}
		if dir == filepath.Dir(dir) {
			return true
		}
	}
}

// enters tells whether the search bit for the account is set.
func (a account) enters(info fs.FileInfo) bool {
	mode := info.Mode().Perm()
	stat, ok := info.Sys().(*syscall.Stat_t)
	switch {
	case !ok:
		return false
	case int(stat.Uid) == a.uid:
		return mode&0o100 != 0
	case int(stat.Gid) == a.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}
