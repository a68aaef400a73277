// SPDX-License-Identifier: Apache-2.0

package packaging_test

import (
	"fmt"

	"curewright/packaging"
)

func ExampleLayout_Files() {
	files, err := packaging.Local().Files()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range files {
		fmt.Printf("%s: %s\n", f.Path, f.What)
	}
	// Output:
	// /etc/sysusers.d/curewright.conf: the daemon's own user and its groups
	// /etc/udev/rules.d/60-curewright.rules: lets these groups use the buses
	// /etc/curewright/curewright.toml: the configuration, yours to edit
	// /etc/systemd/system/curewright.service: the service
}
