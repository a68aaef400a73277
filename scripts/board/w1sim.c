// SPDX-License-Identifier: Apache-2.0 OR GPL-2.0-only
/*
 * w1sim: DS18B20 thermometers on a wire that is simulated time slot by time
 * slot. Everything above the wire is Linux's own: its 1-wire core searches for
 * them, its w1_therm reads them. Parameters, under /sys/module/w1sim:
 *
 *	t0, t1	what each is in, thousandths of a degree
 *	fault	0 none, 1 nobody on the wire, 2 shorted to ground,
 *		3 the first one's memory is zeros all over, 4 lost its supply since the last conversion, 5 one bit disturbed
 *
 * After the data sheet 19-7487 Rev 6 ("Transaction Sequence") and Maxim's
 * application note 187 (search).
 */
#include <linux/module.h>
#include <linux/w1.h>

enum wire_fault { NONE, NOBODY, SHORTED, ZEROS, RESET, DISTURBED };

static int fault, t0 = 20000, t1 = 20000;
module_param(fault, int, 0644);
module_param(t0, int, 0644);
module_param(t1, int, 0644);

/* What a chip does with the next slots. */
enum doing { SLEEPS, HEARS_ROM_COMMAND, IS_SEARCHED, IS_MATCHED, HEARS_COMMAND, SENDS, TAKES };

struct thermometer {
	const int *milli;
	u8 rom[8];
	u8 pad[9];
	enum doing now;
	unsigned int slot;	/* since it began that */
	u8 command;
	const u8 *sends;
	unsigned int bits;
};

static struct thermometer all[2] = {
	{ .milli = &t0, .rom = { 0x28, 0x1f, 0x5d, 0x79, 0xa2, 0x16, 0x03 } },
	{ .milli = &t1, .rom = { 0x28, 0x40, 0x5e, 0x79, 0xa2, 0x16, 0x03 } },
};

static void seal(u8 *b, int n)
{
	u8 sum = 0;
	int i;

	for (i = 0; i < 8 * n; i++) {
		u8 mix = (sum ^ b[i / 8] >> (i % 8)) & 1;

		sum = sum >> 1 ^ (mix ? 0x8c : 0);
	}
	b[n] = sum;
}

static void power_on(struct thermometer *th)
{
	static const u8 fresh[8] = { 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10 };

	memcpy(th->pad, fresh, sizeof(fresh));
	seal(th->pad, 8);
}

static void convert(struct thermometer *th)
{
	s16 sixteenths = *th->milli * 16 / 1000;

	power_on(th);
	if (fault == RESET)
		return;
	th->pad[0] = sixteenths;
	th->pad[1] = sixteenths >> 8;
	th->pad[6] = 0x10;	/* not the power-on value */
	seal(th->pad, 8);
}

static void begin(struct thermometer *th, enum doing what)
{
	th->now = what;
	th->slot = 0;
	th->command = 0;
}

static void send(struct thermometer *th, const u8 *b, unsigned int bytes)
{
	begin(th, SENDS);
	th->sends = b;
	th->bits = 8 * bytes;
}

static void obey(struct thermometer *th)
{
	bool rom = th->now == HEARS_ROM_COMMAND;
	u8 command = th->command;

	begin(th, SLEEPS);
	if (rom) {
		switch (command) {
		case 0xf0: begin(th, IS_SEARCHED); break;
		case 0x55: begin(th, IS_MATCHED); break;
		case 0xcc: begin(th, HEARS_COMMAND); break;
		case 0x33: send(th, th->rom, 8); break;
		}
		return;
	}
	switch (command) {
	case 0x44: convert(th); break;
	case 0xbe: send(th, th->pad, 9); break;
	case 0x4e: begin(th, TAKES); break;
	}			/* 0xb4: its own supply, which is a 1 */
}

/* One slot: the master writes a bit (1 also to read); 0 where the chip pulls. */
static u8 slot(struct thermometer *th, u8 bit)
{
	unsigned int at = th->slot++;
	u8 own = 1;

	switch (th->now) {
	case SLEEPS:
		break;
	case HEARS_ROM_COMMAND:
	case HEARS_COMMAND:
		th->command |= bit << at;
		if (at == 7)
			obey(th);
		break;
	case IS_SEARCHED:	/* its bit, the complement, the master's choice */
		own = th->rom[at / 24] >> (at / 3 % 8) & 1;
		if (at % 3 == 2) {
			if (bit != own || at == 3 * 64 - 1)
				begin(th, bit == own ? HEARS_COMMAND : SLEEPS);
			return 1;
		}
		return at % 3 ? !own : own;
	case IS_MATCHED:
		if (bit != (th->rom[at / 8] >> (at % 8) & 1))
			begin(th, SLEEPS);
		else if (at == 63)
			begin(th, HEARS_COMMAND);
		break;
	case SENDS:
		if (at < th->bits) {
			own = th->sends[at / 8] >> (at % 8) & 1;
			if (fault == DISTURBED && th->sends == th->pad && at == 3)
				own = !own;
			if (fault == ZEROS && th->sends == all[0].pad)
				own = 0;
		}
		return own;
	case TAKES:		/* alarm limits and configuration */
		if (at % 8 == 0)
			th->pad[2 + at / 8] = 0;
		th->pad[2 + at / 8] |= bit << (at % 8);
		if (at == 23) {
			seal(th->pad, 8);
			begin(th, SLEEPS);
		}
		break;
	}
	return 1;
}

static u8 w1sim_touch(void *unused, u8 bit)
{
	int i, line = bit;

	if (fault == NOBODY)
		return bit;
	for (i = 0; i < ARRAY_SIZE(all); i++)
		line &= slot(&all[i], bit);
	return fault == SHORTED ? 0 : line;
}

static u8 w1sim_reset(void *unused)
{
	int i;

	if (fault == NOBODY)
		return 1;
	for (i = 0; i < ARRAY_SIZE(all); i++)
		begin(&all[i], HEARS_ROM_COMMAND);
	return 0;
}

static struct w1_bus_master wire = { .touch_bit = w1sim_touch, .reset_bus = w1sim_reset };

static int __init w1sim_init(void)
{
	int i;

	for (i = 0; i < ARRAY_SIZE(all); i++) {
		seal(all[i].rom, 7);
		power_on(&all[i]);
	}
	return w1_add_master_device(&wire);
}

static void __exit w1sim_exit(void)
{
	w1_remove_master_device(&wire);
}

module_init(w1sim_init);
module_exit(w1sim_exit);
MODULE_DESCRIPTION("DS18B20 thermometers on a simulated wire");
MODULE_LICENSE("GPL");
