// SPDX-License-Identifier: Apache-2.0

package push

import (
	"net/url"

	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/discord"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/googlechat"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/lark"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/matrix"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/mattermost"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/rocketchat"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/signal"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/slack"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/teams"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/telegram"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/wecom"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/zulip"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/incident/opsgenie"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/incident/pagerduty"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/bark"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/gotify"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/ifttt"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/join"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/ntfy"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/pushbullet"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/push/pushover"
	"github.com/nicholas-fedor/shoutrrr/pkg/services/specialized/notifiarr"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// service is what is used of the library's services.
type service interface {
	Initialize(address *url.URL, log types.StdLogger) error
	Send(message string, params *types.Params) error
}

// services are those that an address may name. They stand here one by one, as
// the library's own list brings along its mail, whose templates make the whole
// program larger; mail is a channel of its own.
var services = map[string]func() service{
	"bark":       func() service { return &bark.Service{} },
	"discord":    func() service { return &discord.Service{} },
	"generic":    func() service { return &webService{} },
	"gotify":     func() service { return &gotify.Service{} },
	"googlechat": func() service { return &googlechat.Service{} },
	"ifttt":      func() service { return &ifttt.Service{} },
	"lark":       func() service { return &lark.Service{} },
	"join":       func() service { return &join.Service{} },
	"matrix":     func() service { return &matrix.Service{} },
	"mattermost": func() service { return &mattermost.Service{} },
	"notifiarr":  func() service { return &notifiarr.Service{} },
	"ntfy":       func() service { return &ntfy.Service{} },
	"opsgenie":   func() service { return &opsgenie.Service{} },
	"pagerduty":  func() service { return &pagerduty.Service{} },
	"pushbullet": func() service { return &pushbullet.Service{} },
	"pushover":   func() service { return &pushover.Service{} },
	"rocketchat": func() service { return &rocketchat.Service{} },
	"signal":     func() service { return &signal.Service{} },
	"slack":      func() service { return &slack.Service{} },
	"teams":      func() service { return &teams.Service{} },
	"telegram":   func() service { return &telegram.Service{} },
	"wecom":      func() service { return &wecom.Service{} },
	"zulip":      func() service { return &zulip.Service{} },
	"hangouts":   func() service { return &googlechat.Service{} }, // its name before
}
