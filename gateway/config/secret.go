package config

import (
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"syscall"
)

// checkFiles looks at the files that a valid configuration names, so that a bad one shows at "check" and at start,
// not when the broker is first needed.
func (c *Config) checkFiles(d *Document) {
	k := checker{doc: d}
	if b := c.Broker; b != nil {
		k.secret("broker.password_file", b.PasswordFile)
		k.certificates("broker.ca_file", b.CAFile)
	}
	for i, m := range c.Mirror {
		at := checker{doc: d, table: element("mirror", i)}
		at.secret("password_file", m.PasswordFile)
		at.certificates("ca_file", m.CAFile)
	}
	for i, w := range c.Webhook {
		at := checker{doc: d, table: element("webhook", i)}
		at.token("token_file", w.TokenFile)
		at.certificates("ca_file", w.CAFile)
	}
	if e := c.Embedded; e != nil {
		k.secret("embedded.password_file", e.PasswordFile)
	}
	if path := c.Board.PasswordFile; path != "" {
		if _, err := ReadHash(path); err != nil {
			k.fileHint("board.password_file", err, "a file with the hash of the page's password", "make it: longlane check --board-password "+path)
		}
	}
}

// hashForm is that of a bcrypt hash; which cost is sensible, the page itself knows.
var hashForm = regexp.MustCompile(`^\$2[aby]\$[0-9]{2}\$[./0-9A-Za-z]{53}$`)

// ReadHash is ReadSecret for the hash of a password, as bcrypt makes it.
func ReadHash(path string) (string, error) {
	hash, err := ReadSecret(path)
	if err != nil {
		return "", err
	}
	if !hashForm.MatchString(hash) {
		return "", fmt.Errorf("%s: found something else than a bcrypt hash, such as the password itself", path)
	}
	return hash, nil
}

func (k checker) secret(field, path string) {
	if path == "" {
		return
	}
	if _, err := ReadSecret(path); err != nil {
		k.file(field, err, "a file with one secret, readable by its owner alone")
	}
}

// token is a secret that can stand in a header of HTTP.
func (k checker) token(field, path string) {
	if path == "" {
		return
	}
	if _, err := ReadToken(path); err != nil {
		k.file(field, err, "a file with one token, readable by its owner alone")
	}
}

// ReadToken is ReadSecret for a bearer token: printable ASCII without spaces.
func ReadToken(path string) (string, error) {
	token, err := ReadSecret(path)
	if err != nil {
		return "", err
	}
	if strings.IndexFunc(token, func(r rune) bool { return r <= ' ' || r > '~' }) >= 0 {
		return "", fmt.Errorf("%s: found a space or a character that is not ASCII, expected the token alone", path)
	}
	return token, nil
}

func (k checker) certificates(field, path string) {
	if path == "" {
		return
	}
	pem, _, err := readBounded(path, maxFile)
	if err == nil && !x509.NewCertPool().AppendCertsFromPEM(pem) {
		err = fmt.Errorf("%s: found no certificate in it", path)
	}
	if err != nil {
		k.file(field, err, "a file of certificates in PEM form")
	}
}

// file refuses a field for what is wrong with the file it names. An exposedError knows what to do about itself.
func (k checker) file(field string, err error, expected string) { k.fileHint(field, err, expected, "") }

func (k checker) fileHint(field string, err error, expected, hint string) {
	var exposed *exposedError
	if errors.As(err, &exposed) {
		hint = exposed.remedy()
	}
	k.doc.RefuseHint(k.at(field), whatOfFile(err), expected, hint)
}

// whatOfFile says what is wrong with a file in words that go behind "found".
func whatOfFile(err error) string {
	var of *fs.PathError
	switch {
	case !errors.As(err, &of):
		return err.Error()
	case errors.Is(err, fs.ErrNotExist):
		return "no file " + of.Path
	case errors.Is(err, fs.ErrPermission):
		return of.Path + ", which this user may not read"
	}
	return of.Path + ": " + of.Err.Error()
}

// maxSecret is the longest secret file, in bytes.
const maxSecret = 4096

// exposedError says that a secret file can be read or changed by others.
type exposedError struct {
	path string
	mode os.FileMode
}

func (e *exposedError) Error() string {
	return fmt.Sprintf("%s: mode %04o, open to others", e.path, e.mode)
}

func (e *exposedError) remedy() string {
	return fmt.Sprintf("run: chmod 600 %s (and change the secret if others may have seen it)", e.path)
}

// ReadSecret reads a file that holds one secret and returns it without the line break at its end. It refuses a file
// that others than the owner can read or write; a group may read it only if that group is root's, who can read it
// anyway (the service manager hands out credentials in that form). A symbolic link is followed. The secret must
// have 1 to 4096 bytes in one line.
func ReadSecret(path string) (string, error) {
	data, info, err := readBounded(path, maxSecret)
	if err != nil {
		return "", err
	}
	if mode := info.Mode().Perm(); mode&^allowed(info) != 0 {
		return "", &exposedError{path, mode}
	}
	secret := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
	if secret == "" || strings.ContainsAny(secret, "\n\r\x00") {
		return "", fmt.Errorf("%s: found %d lines, expected the secret in one line", path, strings.Count(secret, "\n")+min(1, len(secret)))
	}
	return secret, nil
}

// allowed returns the permission bits that a secret file may have.
func allowed(info os.FileInfo) os.FileMode {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return allowedFor(s.Gid)
	}
	return 0o700
}

func allowedFor(gid uint32) os.FileMode {
	if gid == 0 {
		return 0o740
	}
	return 0o700
}
