#!/usr/bin/env python3
"""A pair of histograms from the published response, fitted by a general library.

Draws an empty and a target histogram whose pulse is the measured
single-photon response in real_irf_lifefit.csv (MIT licence, see
LICENSE-lifefit.txt), fits them by maximum likelihood with scipy and writes
counts and result to fit_pair.json. It shares no code with the project, whose
test reads the result only. Run once, by hand: python3 fit_pair.py

The model: bin i of the empty histogram has the unknown mean m[i] a shot, of
the target histogram S p[i](tau) + A + m[i]. All m[i], S, tau and A are free:
123 parameters, minimised by scipy.optimize (trust region, Newton) with the
exact gradient and the Fisher matrix. The pulse is linear between its points;
its integral over a bin is scipy's antiderivative of that polynomial.
"""
import csv
import json
import sys

import numpy as np
import scipy
from scipy import interpolate, optimize

CHANNEL, PEAK, FIRST, LAST = 27.43484, 1016, 976, 1136  # ps, channel numbers
BINS, BIN, START = 120, 125.0, -1500.0                  # ps
EMPTY, TARGET = 4_000_000, 1_000_000                    # shots
C2 = 0.299792458 / 2                                    # mm/ps

with open("real_irf_lifefit.csv") as f:
    irf = {int(r[0]): float(r[1]) for r in list(csv.reader(f))[1:]}
back = np.mean([irf[c] for c in range(1, 901)])
density = np.array([max(0.0, irf[c] - back) for c in range(FIRST, LAST + 1)])
t = (np.arange(FIRST, LAST + 1) - PEAK) * CHANNEL
slope = np.diff(density) / CHANNEL
pulse = interpolate.PPoly(np.vstack([slope, density[:-1]]), t, extrapolate=False)
area = pulse.antiderivative()
whole = float(area(t[-1]))
edges = START + BIN * np.arange(BINS + 1)


def share(tau):
    x = np.clip(edges - tau, t[0], t[-1])
    return np.diff(area(x)) / whole


def dshare(tau):
    x = edges - tau
    f = np.where((x > t[0]) & (x < t[-1]), np.nan_to_num(pulse(np.clip(x, t[0], t[-1]))), 0.0)
    return -np.diff(f) / whole


rng = np.random.default_rng(20260117)
leak, leak_tau, ambient = 0.02, 35.0, 2e-4              # a shot, ps, a shot and bin
signal, tau0, ambient2 = 0.03, 640.0, 2.5e-4
x = rng.poisson(EMPTY * (leak * share(leak_tau) + ambient))
y = rng.poisson(TARGET * (signal * share(tau0) + leak * share(leak_tau) + ambient2))


def target(p):
    """Means of both histograms and their derivatives."""
    s, tau, a, m = p[0], p[1], p[2], p[3:]
    jac = np.zeros((2 * BINS, BINS + 3))
    jac[:BINS, 3:] = EMPTY * np.eye(BINS)
    jac[BINS:, 0] = TARGET * share(tau)
    jac[BINS:, 1] = TARGET * s * dshare(tau)
    jac[BINS:, 2] = TARGET
    jac[BINS:, 3:] = TARGET * np.eye(BINS)
    return np.concatenate([EMPTY * m, TARGET * (s * share(tau) + a + m)]), jac


def empty(p):
    l, tau, a = p
    jac = EMPTY * np.column_stack([l * 0 + share(tau), l * dshare(tau), np.ones(BINS)])
    return EMPTY * (l * share(tau) + a), jac


def fit(model, counts, start, scale):
    """Most likely parameters and their covariances by the Fisher matrix."""
    scale = np.asarray(scale)

    def cost(q):
        mu, jac = model(q * scale)
        if np.any(mu <= 0):
            return np.inf, np.zeros(len(q))
        return np.sum(mu - counts * np.log(mu)), scale * (jac.T @ (1 - counts / mu))

    def fisher(q):
        mu, jac = model(q * scale)
        j = jac * scale
        return j.T @ (j / mu[:, None])

    r = optimize.minimize(cost, np.asarray(start) / scale, jac=True, hess=fisher, method="trust-exact",
                          options={"gtol": 1e-7, "maxiter": 2000})
    grad = np.linalg.norm(cost(r.x)[1])
    cov = np.linalg.inv(fisher(r.x)) * np.outer(scale, scale)
    return r.x * scale, np.sqrt(np.diag(cov)), float(grad)


guess = np.concatenate([[0.028, 600.0, 0.0], np.maximum(x, 1) / EMPTY])
size = np.concatenate([[1e-4, 1.0, 1e-6], np.sqrt(np.maximum(x, 1)) / EMPTY])
p, u, grad = fit(target, np.concatenate([x, y]), guess, size)
q, v, grad2 = fit(empty, x, [0.018, 0.0, 3e-4], [1e-5, 1.0, 1e-6])
json.dump({
    "about": "drawn and fitted by fit_pair.py; the pulse is that of real_irf_lifefit.csv",
    "library": {"python": sys.version.split()[0], "numpy": np.__version__, "scipy": scipy.__version__},
    "bins": BINS, "bin_ps": BIN, "first_bin_ps": START,
    "pulse": {"channel_ps": CHANNEL, "peak": PEAK, "first": FIRST, "last": LAST, "background_to": 900},
    "empty": {"shots": EMPTY, "counts": x.tolist()}, "target": {"shots": TARGET, "counts": y.tolist()},
    "truth": {"signal": signal, "tau_ps": tau0, "leak": leak, "leak_tau_ps": leak_tau},
    "fit": {"range_mm": C2 * p[1], "range_u_mm": C2 * u[1], "signal": p[0], "signal_u": u[0],
            "leakage_distance_mm": C2 * q[1], "leakage_distance_u_mm": C2 * v[1],
            "gradient": grad, "gradient_empty": grad2},
}, open("fit_pair.json", "w"), indent=None)
print(open("fit_pair.json").read()[-420:])
