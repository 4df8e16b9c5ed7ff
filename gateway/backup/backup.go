// Package backup puts everything that an owner needs to move a gateway to a new card or machine into one encrypted file,
// and takes it out again.
//
// The file is an age file (age-encryption.org/v1) under a passphrase. Inside is a tar: first manifest.json, then the files
// that it lists with size and SHA-256, in the order of the function parts, the one place that says what a backup holds.
// Behind the tar's end stands the history, if the manifest tells of one (since format 2): a stream (queue/history), for years
// of it are more than the memory of a small board. A reader of format 1 ends at the tar, and leaves
// the history out; it refuses a file of more than 16 MiB, which one saved without the history never is.
// Events that still wait in the queue are not among them: they stay with the old card, whose gateway may yet deliver them.
//
// The manifest's readable_from is the lowest format whose readers understand the file. A reader refuses a file whose
// readable_from is above its own format, and reads everything else; fields and files that it does not know it leaves out
// and names (Backup.Ignored).
//
//	Collect -> Backup.Save        the config, the site's secret and roster, marks.copy, the secrets that the config names, the history
//	Open -> Backup.Restore        everything verified before the first write, the site's secret written last
//
// Two machines with one site's secret would harm it: see Backup.Restore.
package backup

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/roster"
)

const (
	// Format is the version of what is inside that this package writes.
	Format       = 2
	readableFrom = 1
	manifestName = "manifest.json"

	// maxInside bounds the tar, which is read into memory, in bytes: the config has at most 256 KiB, marks.copy 4 MiB.
	maxInside = 16 << 20
)

// NotInside says what a backup does not hold.
const NotInside = "Not in it: events that still wait in the queue. They stay with the old card: start the old gateway once more with its " +
	"broker in reach, before the new one runs, and they are delivered."

// Manifest says what a backup holds.
type Manifest struct {
	Format       int       `json:"format"`
	ReadableFrom int       `json:"readable_from"`
	Site         string    `json:"site"`
	Gateway      string    `json:"gateway"`
	Made         time.Time `json:"made"`    // by the clock of the old machine, which may not have been set
	Version      string    `json:"version"` // of the program
	Files        []File    `json:"files"`
	// History tells that a history stands behind the files; nil: there was none, or it was left out.
	History *HistoryFrom `json:"history,omitempty"`
}

// HistoryFrom tells of a history what is known before it is read.
type HistoryFrom struct {
	Path string `json:"path"` // where it stood
}

// File is one file in a backup.
type File struct {
	Name   string `json:"name"` // in the backup
	Path   string `json:"path"` // where it stood
	Mode   uint32 `json:"mode"` // permission bits
	Size   int64  `json:"size"` // bytes
	SHA256 string `json:"sha256"`
}

// Backup is a backup in memory, complete and verified.
type Backup struct {
	Manifest Manifest
	// Ignored names fields and files of a later format that this program does not know.
	Ignored []string
	// History is what the saved file holds of it; zero before Save.
	History History

	copy   func(io.Writer) error // of the history, of a gateway that may run
	words  string                // the passphrase, for the history is read again when it is restored
	path   string                // of the backup, for errors
	data   map[string][]byte
	config *config.Config
	roster *roster.Roster
}

// part is one file that a backup may hold.
type part struct {
	name  string // in the backup
	path  string // on the machine
	must  bool
	state bool // in the state directory, not merely named by the config
}

const (
	configName = "longlane.toml"
	marksName  = "state/" + gateway.CopyFile
	listName   = "state/" + roster.ListFile
	secretName = "state/" + roster.SecretFile
)

// parts lists all that a backup of a gateway with this config holds, in the order in which a restore writes it. The site's
// secret is the last: without it there is no site, so a restore that was cut short can be repeated.
func parts(configPath string, c *config.Config) []part {
	list := []part{{name: configName, path: configPath, must: true}}
	named := func(name, path string) {
		if path != "" {
			list = append(list, part{name: name, path: path, must: true})
		}
	}
	if b := c.Broker; b != nil {
		named("broker/password", b.PasswordFile)
		named("broker/ca", b.CAFile)
	}
	if e := c.Embedded; e != nil {
		named("embedded/password", e.PasswordFile)
	}
	for _, m := range c.Mirror {
		named("mirror/"+m.Name+"/password", m.PasswordFile)
		named("mirror/"+m.Name+"/ca", m.CAFile)
	}
	for _, w := range c.Webhook {
		named("webhook/"+w.Name+"/token", w.TokenFile)
		named("webhook/"+w.Name+"/ca", w.CAFile)
	}
	return append(list,
		part{name: listName, path: filepath.Join(c.State, roster.ListFile), must: true, state: true},
		part{name: marksName, path: filepath.Join(c.State, gateway.CopyFile), state: true}, // none until a node was heard
		part{name: secretName, path: filepath.Join(c.State, roster.SecretFile), must: true, state: true})
}

// Collect reads what belongs into a backup of the gateway with this config, which may be running. version is the
// program's. ctx bounds the wait for an enrolment that is being written.
func Collect(ctx context.Context, configPath, version string, now time.Time) (*Backup, error) {
	if _, err := config.Load(configPath); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(configPath)
	if err != nil {
		return nil, fmt.Errorf("save backup: %w", err)
	}
	c, err := config.Parse(configPath, text)
	if err != nil {
		return nil, err
	}
	if _, err := roster.Open(c.State); err != nil { // before the lock, which would make the directory
		return nil, fmt.Errorf("save backup: %w", err)
	}
	lock, err := roster.Lock(ctx, c.State) // secret and roster are of one moment
	if err != nil {
		return nil, fmt.Errorf("save backup: %w", err)
	}
	defer lock.Close()
	b := &Backup{path: configPath, data: map[string][]byte{}, Manifest: Manifest{Format: Format, ReadableFrom: readableFrom, Site: c.Site,
		Gateway: c.Gateway, Made: now.UTC().Truncate(time.Second), Version: version}}
	for _, p := range parts(configPath, c) {
		if err := b.add(p); err != nil {
			return nil, fmt.Errorf("save backup: %w", err)
		}
	}
	if err := b.understand(); err != nil {
		return nil, fmt.Errorf("save backup: %w", err)
	}
	if err := b.findHistory(ctx, c.State); err != nil {
		return nil, fmt.Errorf("save backup: %w", err)
	}
	return b, nil
}

func (b *Backup) add(p part) error {
	info, err := os.Stat(p.path)
	if errors.Is(err, fs.ErrNotExist) && !p.must {
		return nil
	} else if err != nil {
		return err
	}
	data, err := os.ReadFile(p.path)
	if err != nil {
		return err
	}
	b.data[p.name] = data
	b.Manifest.Files = append(b.Manifest.Files, File{p.name, p.path, uint32(info.Mode().Perm()), int64(len(data)), sum(data)})
	return nil
}

func sum(data []byte) string {
	s := sha256.Sum256(data)
	return hex.EncodeToString(s[:])
}

// HasMarks reports whether the backup knows which frames the old gateway has seen.
func (b *Backup) HasMarks() bool { return b.data[marksName] != nil }

// Nodes is how many nodes the site has, those that were shut out not counted.
func (b *Backup) Nodes() (n int) {
	for _, node := range b.roster.Nodes {
		if !node.Revoked {
			n++
		}
	}
	return n
}

// understand reads what the files mean: the gateway that is started on them must not be the first to find a mistake.
func (b *Backup) understand() (err error) {
	if b.config, err = config.Parse(b.path+": "+configName, b.data[configName]); err != nil {
		return err
	}
	for _, p := range parts("", b.config) {
		if p.must && b.data[p.name] == nil {
			return fmt.Errorf("%s: found no %s in it, expected it since %s needs it; take another backup", b.path, p.name, configName)
		}
	}
	if b.roster, err = roster.Parse(b.data[secretName], b.data[listName]); err != nil {
		return fmt.Errorf("%s: %w", b.path, err)
	}
	if b.roster.SiteName != b.config.Site || b.Manifest.Site != b.config.Site {
		return fmt.Errorf("%s: found a roster of the site %q and a config of %q, expected the same; correct `site` in the config "+
			"and save again", b.path, b.roster.SiteName, b.config.Site)
	}
	_, err = b.marks(0)
	return err
}

// marks is the second copy of the replay marks with its epoch raised; nil if there is none.
func (b *Backup) marks(raise uint16) ([]byte, error) {
	if !b.HasMarks() {
		return nil, nil
	}
	return gateway.RaiseCopy(b.path+": "+marksName, b.data[marksName], b.roster.SiteName, b.roster.Site, raise)
}

// pack writes the tar.
func (b *Backup) pack() ([]byte, error) {
	manifest, err := json.MarshalIndent(b.Manifest, "", "  ")
	if err != nil {
		return nil, err
	}
	return b.packWith(append(manifest, '\n'))
}

func (b *Backup) packWith(manifest []byte) ([]byte, error) {
	var out bytes.Buffer
	w := tar.NewWriter(&out)
	put := func(name string, data []byte) error {
		err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Mode: 0o600, Size: int64(len(data)), ModTime: b.Manifest.Made})
		if err == nil {
			_, err = w.Write(data)
		}
		return err
	}
	err := put(manifestName, manifest)
	for _, f := range b.Manifest.Files {
		err = errors.Join(err, put(f.Name, b.data[f.Name]))
	}
	err = errors.Join(err, w.Close()) // which writes the end
	return out.Bytes(), err
}

// unpack reads the tar to its end, and no further, and verifies all of it. path stands for the backup in errors.
func unpack(path string, inside io.Reader) (*Backup, error) {
	b := &Backup{path: path, data: map[string][]byte{}}
	bad := func(found, expected, do string) error {
		return fmt.Errorf("%s: found %s, expected %s; %s", path, found, expected, do)
	}
	const another = "take another backup"
	bounded := &io.LimitedReader{R: inside, N: maxInside}
	r := tar.NewReader(bounded)
	var damaged *damagedError
	for first := true; ; first = false {
		h, err := r.Next()
		switch {
		case errors.As(err, &damaged):
			return nil, damaged
		case err == io.EOF && !first && bounded.N > 0:
			// the tar's end
		case err != nil && bounded.N <= 0:
			return nil, bad(fmt.Sprintf("more than %d bytes beside the history", maxInside), "at most so many", "a later version may read it")
		case err != nil:
			return nil, bad(fmt.Sprintf("no tar inside (%v)", err), "one that begins with "+manifestName, another)
		}
		if err != nil {
			break
		}
		data, err := io.ReadAll(r)
		switch {
		case errors.As(err, &damaged):
			return nil, damaged
		case err != nil && bounded.N <= 0:
			return nil, bad(fmt.Sprintf("more than %d bytes beside the history", maxInside), "at most so many", "a later version may read it")
		case err != nil:
			return nil, bad(fmt.Sprintf("%s cut short (%v)", h.Name, err), "all of it", another)
		case first && h.Name != manifestName:
			return nil, bad(fmt.Sprintf("%q first inside", h.Name), manifestName, another)
		case first:
			if err := b.readManifest(data); err != nil {
				return nil, err
			}
		case b.data[h.Name] != nil:
			return nil, bad(h.Name+" twice", "it once", another)
		default:
			b.data[h.Name] = append([]byte{}, data...) // not nil, even if empty
		}
	}
	listed := map[string]bool{}
	for _, f := range b.Manifest.Files {
		data := b.data[f.Name]
		switch {
		case listed[f.Name]:
			return nil, bad(f.Name+" listed twice", "it once", another)
		case data == nil:
			return nil, bad("no "+f.Name, "it, for the manifest lists it", another)
		case int64(len(data)) != f.Size || sum(data) != f.SHA256:
			return nil, bad(fmt.Sprintf("%s of %d bytes, SHA-256 %s", f.Name, len(data), sum(data)),
				fmt.Sprintf("%d bytes, %s", f.Size, f.SHA256), another)
		}
		listed[f.Name] = true
	}
	for name := range b.data {
		if !listed[name] {
			return nil, bad(name+", which the manifest does not list", "only what it lists", another)
		}
	}
	if err := b.understand(); err != nil {
		return nil, err
	}
	b.ignoreFiles()
	return b, nil
}

func (b *Backup) readManifest(text []byte) error {
	m := &b.Manifest
	if err := json.Unmarshal(text, m); err != nil || m.Format < 1 || m.ReadableFrom < 1 {
		return fmt.Errorf("%s: found a %s of format %d that cannot be read (%v), expected format 1 or later; take another backup",
			b.path, manifestName, m.Format, err)
	}
	if m.ReadableFrom > Format {
		return fmt.Errorf("%s: found format %d, which programs of format %d and later read, expected one that format %d reads; restore "+
			"it with the version that wrote it (%s) or a later one", b.path, m.Format, m.ReadableFrom, Format, m.Version)
	}
	var whole map[string]any
	if err := json.Unmarshal(text, &whole); err != nil {
		return fmt.Errorf("%s: %s: %w", b.path, manifestName, err)
	}
	unknown := map[string]bool{}
	more := func(prefix string, got map[string]any, known ...string) {
		for key := range got {
			if !slices.Contains(known, key) {
				unknown[prefix+key] = true
			}
		}
	}
	more("field ", whole, "format", "readable_from", "site", "gateway", "made", "version", "files", "history")
	if h, _ := whole["history"].(map[string]any); h != nil {
		more("field history.", h, "path")
	}
	files, _ := whole["files"].([]any)
	for _, f := range files {
		entry, _ := f.(map[string]any)
		more("field files.", entry, "name", "path", "mode", "size", "sha256")
	}
	for name := range unknown {
		b.Ignored = append(b.Ignored, name)
	}
	slices.Sort(b.Ignored)
	return nil
}

// ignoreFiles names the files that no part stands for.
func (b *Backup) ignoreFiles() {
	known := parts("", b.config)
	for _, f := range b.Manifest.Files {
		if !slices.ContainsFunc(known, func(p part) bool { return p.name == f.Name }) {
			b.Ignored = append(b.Ignored, "file "+f.Name)
		}
	}
}
