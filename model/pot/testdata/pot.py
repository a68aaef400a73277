# SPDX-License-Identifier: Apache-2.0
# The pot equations again, by scipy, from one JSON line a case on stdin.
import json, sys, time
import numpy as np
from scipy.integrate import solve_ivp

R = 8.31446261815324
for line in sys.stdin:
    q = json.loads(line)
    r = q["resin"]

    def rate(a, t):
        tk = t + 273.15
        k1 = q["kappa"] * r["a1_per_s"] * np.exp(-r["e1_j_mol"] / (R * tk))
        k2 = q["kappa"] * r["a2_per_s"] * np.exp(-r["e2_j_mol"] / (R * tk))
        a = min(max(a, 0.0), 1.0)
        tg = r["tg0_c"] + (r["tginf_c"] - r["tg0_c"]) * r["lambda"] * a / (1 - (1 - r["lambda"]) * a)
        fd = 1 / (1 + np.exp((tg - t - r["d_k"]) / r["w_k"]))
        return fd * (k1 + k2 * a ** r["m"]) * (1 - a) ** r["n"]

    air, m, hA = q["air"], q["grams"], q["hA"]

    def f(_, y):
        v = rate(y[0], y[1])
        cp = min(max(1.8 + 0.004 * (y[1] - 20), 1.8), 2.4)
        loss = hA * (1 + 0.006 * max(0.0, y[1] - air)) * (y[1] - air)
        return [v, (m * q["heat"] * v - loss) / (m * cp)]

    ev = []
    for i, level in ((1, max(air, q["start"]) + 15), (1, 60.0), (0, 0.30)):
        g = lambda t, y, i=i, level=level: y[i] - level
        g.direction = 1
        ev.append(g)
    began = time.process_time()
    s = solve_ivp(f, (0, 12 * 3600), [0.0, q["start"]], method="LSODA", rtol=1e-8, atol=[1e-10, 1e-7], events=ev, max_step=900)
    out = {k: (s.t_events[i][0] / 60 if len(s.t_events[i]) else None) for i, k in enumerate(("plus15", "to60", "alpha30"))}
    out["peak"] = float(s.y[1].max())
    out["seconds"] = time.process_time() - began
    print(json.dumps(out))
