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
GH = 21  # nodes of the mixture over ln kappa
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
    # Gauss-Hermite for mixtures over ln kappa; quantiles beside them.
    gh, gw = np.polynomial.hermite_e.hermegauss(GH)
    z = np.concatenate([gh, norm.ppf([0.9, 0.5, 0.1])])
    kap = np.exp(sd * z)

    grid = np.unique(np.concatenate([[0.0], t[t > 0], np.array(req["ask"])]))
    grid = grid[grid <= t[-1]]
    temp = np.interp(grid, t, c)

    def rhs(s, a):
        return kap * r.rate(a, np.interp(s, t, c))

    sol = solve_ivp(rhs, (0, grid[-1]), np.zeros(len(kap)), method="LSODA", t_eval=grid, rtol=1e-6, atol=1e-8, max_step=300)
    alpha = sol.y

    # Ten-minute means over the linear trace, clipped where it begins.
    cum = np.concatenate([[0.0], np.cumsum((t[1:] - t[:-1]) * (c[1:] + c[:-1]) / 2)])

    def integral(s):
        i = np.clip(np.searchsorted(t, s, side="right") - 1, 0, len(t) - 2)
        ci = np.interp(s, t, c)
        return cum[i] + (s - t[i]) * (c[i] + ci) / 2

    lo = np.maximum(grid - 600, t[0])
    now = (integral(grid) - integral(lo)) / np.maximum(grid - lo, 1e-9)
    ref = np.empty_like(now)
    for i, s in enumerate(grid):
        j = np.searchsorted(grid, s - 86400)
        ref[i] = max(now[i], min(now[j:i + 1].max(), 30.0))

    tg = r.tg(alpha)
    marks = {
        "tacky": alpha >= 0.30,
        "recoat_opens": alpha >= 0.40,
        "green": (alpha >= GEL) & (tg >= now - 25),
        "firm": (alpha >= GEL) & (tg >= ref),
        "hard": (alpha >= GEL) & (tg >= ref + 10),
    }

    def first(m, k):
        hit = np.nonzero(marks[m][k])[0]
        return None if len(hit) == 0 else float(grid[hit[0]])

    green = np.cumsum(marks["green"], axis=1) > 0
    wts = gw / gw.sum()

    # Blush and water, at the median rate factor.
    mid = GH + 1
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

    # Cold glass at the median; time outside the range, made up for inside.
    cold, debt_low, debt_high = False, 0.0, 0.0
    colds, lows, highs = [], [], []
    for i in range(len(grid)):
        if am[i] < GEL and tg[mid][i] >= now[i] + 1:
            cold = True
        elif am[i] >= GEL and tg[mid][i] < now[i] - 1:
            cold = False
        if i:
            dt, m = grid[i] - grid[i - 1], (temp[i] + temp[i - 1]) / 2
            if m < 10:
                debt_low += dt
            elif m > 40:
                debt_high += dt
            else:
                debt_low, debt_high = max(0, debt_low - dt), max(0, debt_high - dt)
        colds.append(cold)
        lows.append(debt_low)
        highs.append(debt_high)

    out = []
    for s in req["ask"]:
        i = int(np.searchsorted(grid, s))
        a, g = alpha[:GH, i], tg[:GH, i]
        p = [norm.cdf((a - 0.30) / 0.06), norm.cdf((a - GEL) / 0.05), norm.cdf((g - ref[i]) / 5), norm.cdf((g - ref[i] - 10) / 6)]
        p[1] = np.where((g >= now[i] - 25) | green[:GH, i], p[1], 0)
        for k in range(1, 4):
            p[k] = np.minimum(p[k], p[k - 1])
        p = [float(x @ wts) for x in p]
        n = max([0] + [k + 1 for k in range(4) if p[k] >= 0.5])
        state = ["wet", "tacky", "green", "firm", "hard"][n]
        why = []
        if colds[i]:
            why.append("cold_glass")
        if n >= 2 and lows[i] > 0:
            why.append("below_minimum")
        if n >= 2 and highs[i] > 0:
            why.append("outside_range")
        out.append({
            "alpha": [float(alpha[GH + k, i]) for k in (2, 1, 0)],
            "state": "unknown" if why else state, "why": why, "p": p,
            "now_c": float(now[i]), "j": float(jcum[i]), "condensed": bool(condensed[i]),
        })
    events = {m: [first(m, GH + k) for k in range(3)] for m in marks}
    return {"answers": out, "events": events}


json.dump([run(q) for q in json.load(sys.stdin)], sys.stdout)
