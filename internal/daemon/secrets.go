// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"curewright/alerts"
	"curewright/alerts/push"
	"curewright/alerts/webhook"
	"curewright/model/tomlfile"
)

// namedSecret is a file or environment variable that the configuration names.
type namedSecret struct {
	file, env       string
	fileKey, envKey string // where the configuration names them
	look            func() error
}

// secrets lists all that the daemon reads by such names when it starts; the
// language's file is no secret, and is looked at with them.
func (c Config) secrets() []namedSecret {
	text := func(key, file, env string, check func(v string) error) namedSecret {
		return namedSecret{file, env, key + "_file", key + "_env", func() error {
			v, err := alerts.Secret(file, env)
			if err == nil && check != nil {
				err = check(v)
			}
			return err
		}}
	}
	pem := func(key, file string, private bool) namedSecret {
		return namedSecret{file: file, fileKey: key, look: func() error { return lookAtPEM(file, private) }}
	}
	out := []namedSecret{
		text("alert.heartbeat_url", c.Alert.HeartbeatURLFile, c.Alert.HeartbeatURLEnv, nil),
		text("mqtt.secret", c.MQTT.SecretFile, c.MQTT.SecretEnv, nil),
		pem("mqtt.ca_file", c.MQTT.CAFile, false),
		pem("mqtt.cert_file", c.MQTT.CertFile, false),
		pem("mqtt.key_file", c.MQTT.KeyFile, true),
		text("influx.token", c.Influx.TokenFile, c.Influx.TokenEnv, nil),
		text("tent.plug.password", c.Tent.Plug.PassFile, "", nil),
		pem("web.tls_cert", c.Web.TLSCert, false),
		pem("web.tls_key", c.Web.TLSKey, true),
		{file: c.Shop.Language, fileKey: "shop.language", look: func() error { _, err := Language(c.Shop.Language); return err }},
	}
	for i, ch := range c.Alert.Channels {
		at := fmt.Sprintf("alert.channel[%d].", i)
		var check func(v string) error
		switch ch.Kind {
		case alerts.KindPush:
			check = func(v string) error { _, err := push.New(ch.Name, v, 0); return err }
		case alerts.KindWebhook:
			check = func(v string) error { _, err := webhook.New(ch.Name, webhook.Options{URL: v}); return err }
		}
		out = append(out, text(at+"secret", ch.SecretFile, ch.SecretEnv, nil), text(at+"url", ch.URLFile, ch.URLEnv, check))
	}
	return out
}

func lookAtPEM(file string, private bool) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer f.Close()
	fi, err := f.Stat()
	switch {
	case err != nil:
		return err
	case !fi.Mode().IsRegular():
		return fmt.Errorf("%s: not a file", file)
	case private && fi.Mode().Perm()&0o004 != 0:
		return fmt.Errorf("%s: readable by everybody: chmod o-r it", file)
	}
	return nil
}

// lookAtSecrets reads each of them as the daemon will, and discards it. When a person
// only checks the configuration, files that this user may not read and variables that
// this user's environment lacks are no faults, since the daemon may run as another
// user. They are returned as notes.
func (c Config) lookAtSecrets(f *tomlfile.File, running bool) (faults tomlfile.Faults, notes []string) {
	for _, s := range c.secrets() {
		if (s.file == "") == (s.env == "") {
			continue // none, or one too many, which the section's own check says
		}
		key := s.fileKey
		if s.env != "" {
			key = s.envKey
			if _, ok := os.LookupEnv(s.env); !ok && !running {
				notes = append(notes, fmt.Sprintf("environment variable %s: not set here; the daemon needs it", s.env))
				continue
			}
		}
		err := s.look()
		switch {
		case err == nil:
		case errors.Is(err, fs.ErrPermission) && !running:
			notes = append(notes, s.file+": not looked at, this user may not read it")
		default:
			faults = append(faults, f.FaultAt(fmt.Errorf("%s: %w", key, plain(err))))
		}
	}
	return faults, notes
}

// plain removes the path from an error whose place names it already.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return fmt.Errorf("%s: %w", p.Path, p.Err)
	}
	return errors.New(strings.TrimPrefix(err.Error(), "secret: "))
}
