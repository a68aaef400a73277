// SPDX-License-Identifier: Apache-2.0 OR GPL-2.0-only
/*
 * i2csim: an I2C adapter on a plug, simulated transfer by transfer, with two
 * chips on its wires. Everything above the wires is Linux's own: i2c-dev, and
 * for the second chip its tmp007 of the iio subsystem. Parameters, under
 * /sys/module/i2csim:
 *
 *	t	what both are in, thousandths of a degree
 *	fault	0 none, 1 nobody acknowledges, 2 a line is held low,
 *		3 an LM75's address is another chip's
 *	plug	the adapter's number, -1 pulled. As with a USB adapter transfers
 *		fail at once with ENODEV, and Linux lets the adapter go when the
 *		last one that holds it open has closed it.
 *
 * 0x48 is an LM75 after TI's SNIS153 ("Register Map"), 0x40 a TMP007 after
 * SBOS685 ("Register Maps"), an infrared front end.
 */
#include <linux/delay.h>
#include <linux/i2c.h>
#include <linux/module.h>
#include <linux/workqueue.h>

enum wire_fault { NONE, NOBODY, HELD, ANOTHER };

static int fault, t = 20000, plug = 9;
module_param(fault, int, 0644);
module_param(t, int, 0644);

struct adapter {
	struct i2c_adapter i2c;
	bool pulled;
	u8 reg[128];		/* by address: which register the next read begins at */
	u8 lm75_conf;
};

static struct adapter *now;
static void replug(struct work_struct *w);
static DECLARE_WORK(work, replug);

static u16 lm75(struct adapter *a, u8 reg)
{
	switch (reg) {
	case 0: return (t * 2 / 1000) << 7;	/* half degrees */
	case 1: return a->lm75_conf << 8 | a->lm75_conf;
	case 2: return 0x4b00;
	case 3: return 0x5000;
	}
	return 0xffff;
}

static u16 tmp007(u8 reg)
{
	switch (reg) {
	case 0x01: case 0x03: return (t * 32 / 1000) << 2;	/* 1/32 degree; die, object */
	case 0x02: return 0x1440;
	case 0x04: return 0x4000;	/* a conversion has ended */
	case 0x1e: return 0x5449;	/* maker */
	case 0x1f: return 0x0078;	/* device */
	}
	return 0;
}

/* A chip of another kind: 16 bits of this and that, no LM75's limits. */
static u16 another(u8 reg) { return 0x8017 + reg; }

static u16 word(struct adapter *a, u16 addr, u8 reg)
{
	if (addr == 0x40)
		return tmp007(reg);
	return fault == ANOTHER ? another(reg) : lm75(a, reg);
}

static int xfer(struct i2c_adapter *i2c, struct i2c_msg *m, int n)
{
	struct adapter *a = container_of(i2c, struct adapter, i2c);
	int i, k;

	if (READ_ONCE(a->pulled))
		return -ENODEV;
	if (fault == HELD) {
		msleep(500);
		return -ETIMEDOUT;
	}
	for (i = 0; i < n; i++, m++) {
		if (fault == NOBODY || (m->addr != 0x48 && m->addr != 0x40))
			return -ENXIO;
		if (m->flags & I2C_M_RD) {
			for (k = 0; k < m->len; k++) {
				u16 w = word(a, m->addr, a->reg[m->addr]);

				m->buf[k] = k % 2 ? w : w >> 8;
			}
			continue;
		}
		if (m->len > 0)
			a->reg[m->addr] = m->buf[0];
		if (m->len > 1 && m->addr == 0x48 && m->buf[0] == 1)
			a->lm75_conf = m->buf[1] & 0x1f;
	}
	return n;
}

static u32 can(struct i2c_adapter *i2c) { return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL; }

static const struct i2c_algorithm wires = { .master_xfer = xfer, .functionality = can };

static void unplug(void)
{
	if (!now)
		return;
	WRITE_ONCE(now->pulled, true);
	i2c_del_adapter(&now->i2c);	/* waits for whoever holds it open */
	kfree(now);
	now = NULL;
}

static void replug(struct work_struct *w)
{
	int nr = plug;

	unplug();
	if (nr < 0)
		return;
	now = kzalloc(sizeof(*now), GFP_KERNEL);
	if (!now)
		return;
	now->i2c.owner = THIS_MODULE;
	now->i2c.algo = &wires;
	now->i2c.nr = nr;
	strscpy(now->i2c.name, "i2csim at a hub", sizeof(now->i2c.name));
	if (i2c_add_numbered_adapter(&now->i2c)) {
		kfree(now);
		now = NULL;
	}
}

static int set_plug(const char *s, const struct kernel_param *p)
{
	int err = param_set_int(s, p);

	if (!err && now)
		WRITE_ONCE(now->pulled, true);
	if (!err)
		schedule_work(&work);
	return err;
}

static const struct kernel_param_ops plug_ops = { .set = set_plug, .get = param_get_int };
module_param_cb(plug, &plug_ops, &plug, 0644);

static int __init i2csim_init(void)
{
	schedule_work(&work);
	return 0;
}

static void __exit i2csim_exit(void)
{
	cancel_work_sync(&work);
	unplug();
}

module_init(i2csim_init);
module_exit(i2csim_exit);
MODULE_DESCRIPTION("an I2C adapter on a plug, with two simulated thermometers");
MODULE_LICENSE("GPL");
