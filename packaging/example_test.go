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
	// /etc/sysusers.d/curewright.conf: user
	// /etc/udev/rules.d/60-curewright.rules: access
	// /etc/curewright/curewright.toml: settings
	// /etc/systemd/system/curewright.service: service
}
