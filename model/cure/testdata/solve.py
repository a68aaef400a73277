# SPDX-License-Identifier: Apache-2.0
"""Integrates the cure law over temperature histories with scipy, straight
from the equations, as a reference for the product's own integration."""

import json
import sys

import numpy as np
from scipy.integrate import solve_ivp

R = 8.31446261815324


def main():
    job = json.load(sys.stdin)
    res = job["resins"]
    col = {k: np.array([r[k] for r in res]) for k in res[0] if k not in ("name",)}
    out = []
    for h in job["histories"]:
        times, temps = np.array(h["times"]), np.array(h["temps"])

        def rate(t, a):
            c = np.interp(t, times, temps)
            k1 = col["a1"] * np.exp(-col["e1"] / (R * (c + 273.15)))
            k2 = col["a2"] * np.exp(-col["e2"] / (R * (c + 273.15)))
            a = np.clip(a, 0, 1)
            tg = col["tg0"] + (col["tginf"] - col["tg0"]) * col["lam"] * a / (1 - (1 - col["lam"]) * a)
            fd = 1 / (1 + np.exp((tg - c - col["d"]) / col["w"]))
            return fd * col["kappa"] * (k1 + k2 * a ** col["m"]) * (1 - a) ** col["n"]

        at = np.array(h["at"])
        # Steps of at most max_step, so that no kink of the temperature is
        # stepped over unseen.
        s = solve_ivp(rate, (times[0], at[-1]), np.zeros(len(res)), method=job["method"],
                      t_eval=at, rtol=1e-10, atol=1e-12, max_step=h["max_step"])
        if not s.success:
            raise SystemExit(s.message)
        out.append(s.y.T.tolist())
    json.dump(out, sys.stdout)


main()
