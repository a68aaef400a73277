# SPDX-License-Identifier: Apache-2.0
"""The data-sheet fit by scipy: the same belief and data, the model written
anew (times by quad, the cup by solve_ivp), the optimum by least_squares."""

import json
import sys

import numpy as np
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, least_squares

R = 8.31446261815324
GEL = 1 / np.sqrt(3)
W = 5.0
H, RHO = 420.0, 1.10


class Resin:
    def __init__(self, p):
        ln_rate, self.e, ln_k, self.tg0, self.tginf, self.lam, self.m, self.n, self.d = p
        self.K = np.exp(ln_k)
        # The rate is set by when a film gels at 25 °C; in the fourth root of
        # the degree of cure its power is smooth at 0.
        gel = quad(lambda u: 4 * u ** 3 / ((self.K + u ** (4 * self.m)) * (1 - u ** 4) ** self.n),
                   0, GEL ** 0.25, epsabs=0, epsrel=1e-12)[0]
        self.k25 = np.exp(ln_rate) * gel / (3.5 * 3600)

    def k(self, c):
        return self.k25 * np.exp(-self.e / R * (1 / (c + 273.15) - 1 / 298.15))

    def tg(self, a):
        return self.tg0 + (self.tginf - self.tg0) * self.lam * a / (1 - (1 - self.lam) * a)

    def alpha_at(self, tg):
        x = (tg - self.tg0) / (self.tginf - self.tg0)
        return x / (self.lam + x * (1 - self.lam))

    def rate(self, a, c):
        return self.k(c) * (self.K + max(a, 0) ** self.m) * (1 - a) ** self.n / (1 + np.exp((self.tg(a) - c - self.d) / W))

    def time(self, a, c):
        return quad(lambda u: 4 * u ** 3 / self.rate(u ** 4, c), 0, a ** 0.25, epsabs=0, epsrel=1e-10, limit=400)[0]


def cup_life(r, grams, c):
    d = 5 * round(65 * (grams / 100) ** 0.236 / 5) / 1000
    area = np.pi * d * d / 4
    depth = grams / RHO * 1e-6 / area
    ha = 10 * area + 8 * np.pi * d * depth + 4 * area

    def f(t, y):
        T, a = y
        cp = min(max(1.8 + 0.004 * (T - 20), 1.8), 2.4)
        da = r.rate(a, T)
        loss = ha * (1 + 0.006 * max(0, T - c)) * (T - c)
        return [(grams * H * da - loss) / (grams * cp), da]

    hot = lambda t, y: y[0] - 60
    gelled = lambda t, y: y[1] - GEL
    hot.terminal = gelled.terminal = True
    s = solve_ivp(f, (0, 12 * 3600), [c, 0], method="LSODA", rtol=1e-9, atol=1e-9, events=[hot, gelled])
    return s.t[-1]


def model(r, d):
    kind, c = d["kind"], d["temp_c"]
    if kind == "pot":
        return cup_life(r, d["grams"], c)
    if kind == "tg":
        week = 7 * 86400.0
        return r.tg(brentq(lambda a: r.time(a, c) - week, 1e-3, 0.99, xtol=1e-12))
    alpha = {"working": 0.30, "recoat_from": 0.40, "tack_free": GEL}.get(kind)
    if alpha is None:
        alpha = max(GEL, r.alpha_at(min(max(c, 20), 30) + 10 if kind == "sand" else c + 4))
    return r.time(alpha, c)


def main():
    job = json.load(sys.stdin)
    mean, sd = np.array(job["mean"]), np.array(job["sd"])

    def residuals(z):
        r = Resin(mean + sd * z)
        out = []
        for d in job["data"]:
            m = model(r, d)
            out.append((m - d["value"]) / d["sd"] if d["kind"] == "tg" else np.log(m / d["value"]) / d["sd"])
        return np.concatenate([out, z])

    s = least_squares(residuals, np.zeros(len(mean)), method="trf", xtol=1e-10, ftol=1e-12, gtol=1e-10, diff_step=1e-4)
    cov = np.linalg.inv(s.jac.T @ s.jac)
    json.dump({"at": (mean + sd * s.x).tolist(), "sd": (sd * np.sqrt(np.diag(cov))).tolist(),
               "cost": float(2 * s.cost), "residuals": s.fun[:len(job["data"])].tolist()}, sys.stdout)


main()
