package catalogue

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"
)

//go:embed *.yaml
var builtIn embed.FS

// Catalogue is every kind of appliance the service knows.
type Catalogue struct {
	Kinds   []*Kind `json:"kinds,omitempty"`
	Version string  `json:"version,omitempty"` // hash of the content, fit for an ETag

	kinds map[string]*Kind
}

// Kind gives the kind with the id.
func (c *Catalogue) Kind(id string) (*Kind, bool) {
	k, ok := c.kinds[id]
	return k, ok
}

// Open gives the built-in catalogue, parsed and validated once. The result is
// shared: nobody may change it. The error names every broken line.
func Open() (*Catalogue, error) { return open() }

var open = sync.OnceValues(func() (*Catalogue, error) { return read(builtIn) })

// read loads every *.yaml of files, in the order of their names.
func read(files fs.FS) (*Catalogue, error) {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil {
		return nil, fmt.Errorf("catalogue: list files: %w", err)
	}
	c := &Catalogue{kinds: map[string]*Kind{}}
	hash := sha256.New()
	for _, name := range names {
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("catalogue: read %s: %w", name, err)
		}
		k, err := Load(name, data)
		if err != nil {
			return nil, err
		}
		if _, twice := c.kinds[k.ID]; twice {
			return nil, fmt.Errorf("%s:1: kind %q is in another file too", name, k.ID)
		}
		c.Kinds, c.kinds[k.ID] = append(c.Kinds, k), k
		fmt.Fprintf(hash, "%s %d\n", name, len(data))
		hash.Write(data)
	}
	c.Version = hex.EncodeToString(hash.Sum(nil))[:16]
	return c, nil
}

// Load reads one kind from YAML. It is strict: an unknown or repeated key, a
// second document, a reference that leads nowhere, or any other rule broken
// (see validate.go and lint.go) is an error. Each line of the error begins
// name:line.
func Load(name string, data []byte) (*Kind, error) {
	var root yaml.Node
	if err := yaml.Unmarshal(data, &root); err != nil {
		return nil, located(name, err)
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	k := new(Kind)
	if err := dec.Decode(k); err != nil {
		return nil, located(name, err)
	}
	if err := dec.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s:1: one document a file", name)
	}
	k.build()
	if err := inFile(name, linesOf(&root), validate(k)); err != nil {
		return nil, err
	}
	return k, nil
}

var lineOf = regexp.MustCompile(`^(?:yaml: )?line (\d+): (.*)$`)

// located rewrites the YAML module's errors to name:line: message.
func located(name string, err error) error {
	var list *yaml.TypeError
	if !errors.As(err, &list) {
		return atLine(name, err.Error())
	}
	var all []error
	for _, msg := range list.Errors {
		all = append(all, atLine(name, msg))
	}
	return errors.Join(all...)
}

func atLine(name, msg string) error {
	m := lineOf.FindStringSubmatch(msg)
	if m == nil {
		return fmt.Errorf("%s:1: %s", name, strings.TrimPrefix(msg, "yaml: "))
	}
	line, _ := strconv.Atoi(m[1])
	if strings.HasPrefix(m[2], "did not find expected") {
		line++ // the module counts lines from 0 in errors of its parser
	}
	return fmt.Errorf("%s:%d: %s", name, line, m[2])
}

// lines maps the path of every node, as in checks[3].inputs[0].units, to its
// line.
type lines map[string]int

func linesOf(root *yaml.Node) lines {
	l := lines{"": 1}
	l.walk("", root)
	return l
}

func (l lines) walk(path string, n *yaml.Node) {
	if n.Kind != yaml.DocumentNode {
		l[path] = n.Line
	}
	switch n.Kind {
	case yaml.DocumentNode:
		l.walk(path, n.Content[0])
	case yaml.SequenceNode:
		for i, item := range n.Content {
			l.walk(path+"["+strconv.Itoa(i)+"]", item)
		}
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			l.walk(join(path, n.Content[i].Value), n.Content[i+1])
		}
	}
}

// at gives the line of path, or of the nearest node that holds it.
func (l lines) at(path string) int {
	for {
		if line, ok := l[path]; ok {
			return line
		}
		path = parent(path)
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func parent(path string) string {
	for i := len(path) - 1; i >= 0; i-- {
		if path[i] == '.' || path[i] == '[' {
			return path[:i]
		}
	}
	return ""
}
