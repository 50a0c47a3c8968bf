package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Processor is processor time in milliseconds a request; 0 where the system
// does not say.
type Processor struct {
	Database float64 `json:"database"`
	Service  float64 `json:"service"`
	Client   float64 `json:"client"` // what makes the requests
}

// usage is processor time used so far, in seconds.
type usage struct{ database, service, self float64 }

// processorTime reads what the programs at work have used.
func (b *bench) processorTime() usage {
	u := usage{self: ownTime(), database: treeTime(b.db.postmaster())}
	if b.service != nil {
		u.service = processTime(b.service.cmd.Process.Pid, false)
	}
	return u
}

// add spreads what was used between two readings over n requests. A client that
// is a program of its own, in seconds so far, is counted in place of this one.
func (p *Processor) add(from, to usage, n int) {
	per := 1000 / float64(n)
	p.Database, p.Service = (to.database-from.database)*per, (to.service-from.service)*per
	if p.Client == 0 {
		p.Client = to.self - from.self
	}
	p.Client *= per
}

// ownTime is what this process has used.
func ownTime() float64 {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return (time.Duration(r.Utime.Nano()) + time.Duration(r.Stime.Nano())).Seconds()
}

// postmaster is the server's first process, 0 when it cannot be told.
func (d *database) postmaster() int {
	text, err := os.ReadFile(filepath.Join(d.dir, "data", "postmaster.pid"))
	if err != nil {
		return 0
	}
	line, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(line)
	if err != nil {
		return 0
	}
	return pid
}

// ticks a second in /proc: fixed for user space on Linux.
const ticks = 100

// treeTime is what a process, its children and those of them that have ended
// used.
func treeTime(pid int) float64 {
	if pid == 0 {
		return 0
	}
	sum := processTime(pid, true)
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return 0
	}
	for _, name := range stats {
		if f := statFields(name); len(f) > 1 && f[1] == strconv.Itoa(pid) {
			sum += times(f, 11, 12)
		}
	}
	return sum
}

// processTime is what one process used, with its ended children if asked.
func processTime(pid int, children bool) float64 {
	f := statFields(fmt.Sprintf("/proc/%d/stat", pid))
	if children {
		return times(f, 11, 12, 13, 14)
	}
	return times(f, 11, 12)
}

// statFields gives the fields of proc(5) stat from the state on.
func statFields(name string) []string {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil
	}
	return strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
}

func times(fields []string, which ...int) float64 {
	sum := 0.0
	for _, i := range which {
		if i >= len(fields) {
			return 0
		}
		n, err := strconv.ParseFloat(fields[i], 64)
		if err != nil {
			return 0
		}
		sum += n
	}
	return sum / ticks
}

// resident is the memory of a process in bytes, 0 where the system does not
// say.
func resident(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	f := strings.Fields(string(text))
	if len(f) < 2 {
		return 0
	}
	pages, err := strconv.ParseInt(f[1], 10, 64)
	if err != nil {
		return 0
	}
	return pages * int64(os.Getpagesize())
}
