// SPDX-License-Identifier: Apache-2.0

package cli

// Examples of the commands that need no more explaining than that.

func (coatListCmd) Help() string { return "Example:\n\n  curewright coat list --legend" }

func (coatShowCmd) Help() string { return "Example:\n\n  curewright coat show a-tack" }

func (coatEndCmd) Help() string { return "Example:\n\n  curewright coat end a-tack" }

func (batchEndCmd) Help() string { return "Example:\n\n  curewright batch end cup-1" }

func (batchListCmd) Help() string { return "Example:\n\n  curewright batch list" }

func (panelListCmd) Help() string { return "Example:\n\n  curewright panel list" }

func (tokenListCmd) Help() string { return "Example:\n\n  curewright token list" }

func (tokenRevokeCmd) Help() string { return "Example:\n\n  curewright token revoke t-3" }

func (tentShowCmd) Help() string { return "Example:\n\n  curewright tent show" }

func (tentOffCmd) Help() string { return "Example:\n\n  curewright tent off" }

func (tentPlainCmd) Help() string { return "Example:\n\n  curewright tent plain" }

func (stockListCmd) Help() string { return "Example:\n\n  curewright stock list" }

func (stockCountCmd) Help() string { return "Example:\n\n  curewright stock count stock-2 \"1.25 kg\"" }

func (stockNoteCmd) Help() string {
	return "Example:\n\n  curewright stock note stock-2 --condition crystallised"
}

func (stockGoneCmd) Help() string { return "Example:\n\n  curewright stock gone stock-2" }

func (stockImportCmd) Help() string { return "Example:\n\n  curewright stock import stock.csv" }

func (stockExportCmd) Help() string { return "Example:\n\n  curewright stock export -o stock.csv" }
