# SPDX-License-Identifier: Apache-2.0
"""An independent reckoning of a coat's cure, state and events.

Written from the published equations and the project's definitions, with
scipy's integrator, for comparison with the Go program. Reads a JSON request
on standard input, writes a JSON answer. Nothing here is shared with the
program but the definitions themselves.
"""
import json
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.stats import norm

R = 8.314462618
SETS = {  # A1, A2 (1/s), Tg0, Tginf (C), lambda, blush factor
    "fast": (8.848e5, 2.949e6, -35.0, 124.0, 0.34, 1.0),
    "medium": (5.056e5, 1.685e6, -38.0, 95.0, 0.38, 0.6),
    "slow": (2.528e5, 8.426e5, -42.0, 85.0, 0.42, 0.7),
}
N = 121  # rate factors
E, D, W, GEL = 57e3, 5.0, 5.0, 0.57735


def es(t):  # WMO-No. 8, Annex 4.B
    return 611.2 * np.exp(17.62 * t / (243.12 + t))


class Resin:
    def __init__(self, name):
        self.a1, self.a2, self.tg0, self.tgi, self.lam, self.skin = SETS[name]

    def tg(self, a):
        return self.tg0 + (self.tgi - self.tg0) * self.lam * a / (1 - (1 - self.lam) * a)

    def rate(self, a, t):
        x = np.exp(-E / (R * (t + 273.15)))
        fd = 1 / (1 + np.exp((self.tg(a) - t - D) / W))
        return fd * x * (self.a1 + self.a2 * a) * (1 - a) ** 2


def run(req):
    r = Resin(req["resin"])
    t = np.array(req["t"])  # s after application, one point before or at 0
    c = np.array(req["c"])
    rh = np.array(req["rh"])
    co2 = np.array(req["co2"])
    sd = req["sd"]
    # The rate factor: mostly as on the sheet, two in a hundred far off it.
    ln = np.linspace(-1.5, 1.5, N)
    wts = 0.98 * norm.pdf(ln, 0, sd) + 0.02 * norm.pdf(ln, 0, 0.7) / np.ptp(norm.cdf([-1.5, 1.5], 0, 0.7))
    wts /= wts.sum()
    cdf = np.cumsum(wts) - wts / 2
    z = np.concatenate([ln, np.interp([0.9, 0.5, 0.1], cdf, ln)])
    kap = np.exp(z)

    grid = np.unique(np.concatenate([[0.0], t[t > 0], np.array(req["ask"])]))
    grid = grid[grid <= t[-1]]
    temp = np.interp(grid, t, c)
    n2 = len(kap)

    # As the law says, and as if nothing were gained outside 10 to 40 C.
    def rhs(s, a):
        x = np.interp(s, t, c)
        v = kap * r.rate(a[:n2], x)
        u = kap * r.rate(a[n2:], x) * (10 <= x <= 40)
        return np.concatenate([v, u])

    sol = solve_ivp(rhs, (0, grid[-1]), np.zeros(2 * n2), method="LSODA", t_eval=grid, rtol=1e-6, atol=1e-8, max_step=300)
    alpha, less = sol.y[:n2], sol.y[n2:]

    # Ten-minute means over the linear trace, clipped where it begins.
    cum = np.concatenate([[0.0], np.cumsum((t[1:] - t[:-1]) * (c[1:] + c[:-1]) / 2)])

    def integral(s):
        i = np.clip(np.searchsorted(t, s, side="right") - 1, 0, len(t) - 2)
        ci = np.interp(s, t, c)
        return cum[i] + (s - t[i]) * (c[i] + ci) / 2

    lo = np.maximum(grid - 600, t[0])
    now = (integral(grid) - integral(lo)) / np.maximum(grid - lo, 1e-9)
    work = np.clip(now, 20, 30)
    tg, tgl = r.tg(alpha), r.tg(less)
    # Margins over the marks in standard deviations of the film's share of their
    # doubt; a mark is passed once a film's own offset is reached.
    top = lambda x: np.maximum.accumulate(x, axis=1)
    gel = norm.cdf(top((less - GEL) / 0.04))
    passed = {
        "tacky": norm.cdf(top((less - 0.30) / 0.048)),
        "recoat_opens": norm.cdf(top((less - 0.40) / 0.04)),
        "green": gel,
        "firm": gel * norm.cdf(top((tgl - now - 4) / 4)),
        "hard": gel * norm.cdf(top((tgl - work - 10) / 4.8)),
    }
    passed = {m: wts @ v[:N] for m, v in passed.items()}

    def first(m, q):
        hit = np.nonzero(passed[m] >= q)[0]
        return None if len(hit) == 0 else float(grid[hit[0]])

    # Blush and water, at the median rate factor.
    mid = N + 1
    e_air = rh / 100 * es(c)
    e_grid = np.interp(grid, t, e_air)
    rhs_pct = 100 * e_grid / es(temp)
    wet = rhs_pct >= 100
    f = np.minimum(4, np.maximum(0, (rhs_pct - 40) / 45) ** 2)
    f[wet] = 4
    am = alpha[mid]
    f = np.where((am >= 0.75) | (tg[mid] >= temp), 0, f)
    dose = (1 - am) ** 2 * f * np.sqrt(np.interp(grid, t, co2) / 420)
    jcum = np.concatenate([[0.0], np.cumsum((grid[1:] - grid[:-1]) * (dose[1:] + dose[:-1]) / 2)]) * r.skin / (4 * 3600)
    condensed = np.cumsum(wet & (am < 0.75)) > 0

    # Glass before gel at the median.
    glass = np.cumsum((am < GEL) & (tg[mid] >= now + 1)) > 0
    step = np.diff(grid, prepend=0)
    below, above = np.cumsum(step * (temp < 10)), np.cumsum(step * (temp > 40))

    def state(a, g, i):
        x = np.clip(1 + (a - GEL) / 0.05, 0, 1)
        counts = x * x * (3 - 2 * x)  # how far it counts as gelled
        firm = counts * norm.cdf((g - now[i] - 4) / 5)
        hard = np.minimum(counts * norm.cdf((g - work[i] - 10) / 6), firm)
        soft = norm.cdf((a - GEL) / 0.05)
        green = soft + firm - soft * firm
        p = [np.maximum(norm.cdf((a - 0.30) / 0.06), green), green, firm, hard]
        p = [float(x @ wts) for x in p]
        return max([0] + [k + 1 for k in range(4) if p[k] >= 0.5]), p

    out = []
    for s in req["ask"]:
        i = int(np.searchsorted(grid, s))
        n, p = state(less[:N, i], tgl[:N, i], i)
        law, pl = state(alpha[:N, i], tg[:N, i], i)
        why = []
        gelled = float(norm.cdf((alpha[:N, i] - GEL) / 0.04) @ wts)
        if glass[i] and am[i] < GEL + 0.15 and gelled < 0.8:
            why.append("cold_glass")
        if law != n and law >= 2:
            if below[i] > 0:
                why.append("below_minimum")
            if above[i] > 0:
                why.append("outside_range")
        p = p + pl + [gelled + (0.5 - 0.8)]
        state_ = ["wet", "tacky", "green", "firm", "hard"][n]
        out.append({
            "alpha": [float(alpha[N + k, i]) for k in (2, 1, 0)],
            "state": "unknown" if why else state_, "why": why, "p": p,
            "now_c": float(now[i]), "j": float(jcum[i]), "condensed": bool(condensed[i]),
        })
    events = {m: [first(m, q) for q in (0.1, 0.5, 0.9)] for m in passed}
    return {"answers": out, "events": events}


json.dump([run(q) for q in json.load(sys.stdin)], sys.stdout)
