/* ranging.c: the unit's own ranges from its histograms, with the constants in
 * force if asked for (SPEC.md 5.3.7). Not part of the kit: a product ranges as
 * it likes. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "host.h"

enum { POINTS_MAX = 4096 };

/* The pulse: density at points, linear between them, and its integral. */
static double start_ps, step_ps, density[POINTS_MAX], until[POINTS_MAX];
static int points;

bool ranging_pulse(const char *numbers)
{
    char *end;
    start_ps = strtod(numbers, &end);
    step_ps = strtod(end, &end);
    points = 0;
    for (const char *at = end; points < POINTS_MAX; at = end) {
        double v = strtod(at, &end);
        if (end == at) {
            break;
        }
        density[points] = v;
        until[points] = points == 0 ? 0 : until[points - 1] + 0.5 * step_ps * (density[points - 1] + v);
        points++;
    }
    return points > 1 && step_ps > 0 && until[points - 1] > 0;
}

/* Share of the pulse before a time. */
static double before(double ps)
{
    double x = (ps - start_ps) / step_ps;
    if (!(x > 0)) {
        return 0;
    }
    if (x >= points - 1) {
        return 1;
    }
    int i = (int)x;
    double f = x - i;
    return (until[i] + step_ps * (density[i] * f + 0.5 * (density[i + 1] - density[i]) * f * f)) / until[points - 1];
}

struct fit {
    size_t n;
    double net[BINS_MAX];
    double amplitude;
};

/* Reduction of the squared residuals by a pulse of that delay and a constant. */
static double gain(struct fit *f, double delay)
{
    double n = (double)f->n, s = 0, ss = 0, y = 0, sy = 0;
    double left = before(first_ps() - delay);
    for (size_t b = 0; b < f->n; b++) {
        double right = before(first_ps() + (double)(b + 1) * bin_ps() - delay);
        double g = right - left;
        left = right;
        s += g;
        ss += g * g;
        y += f->net[b];
        sy += g * f->net[b];
    }
    double spread = ss - s * s / n;
    if (!(spread > 1e-12)) {
        return 0;
    }
    f->amplitude = (sy - s * y / n) / spread;
    return f->amplitude > 0 ? f->amplitude * f->amplitude * spread : 0;
}

static double fit_delay(struct fit *f, const double *variance, double *sd)
{
    double best = 0, at = 0;
    for (size_t b = 0; b < 2 * f->n; b++) {
        double delay = first_ps() + 0.5 * (double)b * bin_ps();
        double g = gain(f, delay);
        if (g > best) {
            best = g;
            at = delay;
        }
    }
    if (best == 0) {
        return NAN;
    }
    /* Narrow down by thirds: the gain has one summit between its neighbours. */
    double low = at - bin_ps(), high = at + bin_ps();
    while (high - low > 0.004) {
        double a = low + (high - low) / 3, b = high - (high - low) / 3;
        if (gain(f, a) < gain(f, b)) {
            low = a;
        } else {
            high = b;
        }
    }
    double delay = (low + high) / 2, bread = 0, meat = 0;
    gain(f, delay);
    for (size_t b = 0; b < f->n; b++) {
        double from = first_ps() + (double)b * bin_ps() - delay;
        double slope = (before(from + 1) - before(from - 1) - before(from + bin_ps() + 1) + before(from + bin_ps() - 1)) / 2;
        bread += slope * slope;
        meat += slope * slope * variance[b];
    }
    *sd = sqrt(meat) / (f->amplitude * bread);
    return delay;
}

static double scaled(int32_t value, uint8_t scale) { return ldexp(value, -(int)scale); }

/* A stored number of a zone, 0 without one. */
static double stored(uint32_t what, uint32_t zone, uint32_t bin)
{
    int32_t value;
    uint8_t scale;
    return panecal_stored(&unit, what, zone, bin, &value, &scale) ? scaled(value, scale) : 0;
}

/* Leakage of a bin, count per shot. A unit that gives no histograms has only
 * the zone's total: it comes as a pulse, from the unit's own zero, which the
 * stored offset tells. */
static double leakage(uint32_t zone, size_t bin)
{
    if (number(PANECAL_BINS) > 0) {
        return stored(PANECAL_LEAKAGE_BIN, zone, (uint32_t)bin);
    }
    return stored(PANECAL_LEAKAGE, zone, 0) * light_share(stored(PANECAL_OFFSET, zone, 0), bin);
}

uint32_t ranging(uint32_t zone, bool compensated, int64_t values[6])
{
    static struct fit f;
    static double variance[BINS_MAX];
    const uint32_t *counts = inner_counts(zone);
    double shots = (double)inner_shots(), risk = shots;
    size_t n = inner_bins(), tail = n / 6 > 0 ? n / 6 : 1;
    double ambient = 0, ambient_var = 0, signal = 0, signal_var = 0;
    memset(values, 0, 6 * sizeof values[0]);
    if (shots == 0) {
        return 4;
    }
    for (size_t b = 0; b < n; b++) {
        double c = counts[b];
        if (number(PANECAL_FIRST_PHOTON)) {
            /* Pile-up undone (Coates 1968): only shots without a count so far can give one. */
            double rest = risk - c > 0.5 ? risk - c : 0.5;
            f.net[b] = risk > 0 ? log(risk / rest) : 0;
            variance[b] = risk > 0 ? c / (risk * rest) : 0;
            risk = risk > c ? risk - c : 0;
        } else {
            f.net[b] = c / shots;
            variance[b] = c / (shots * shots);
        }
    }
    for (size_t b = n - tail; b < n; b++) {
        ambient += f.net[b] / (double)tail;
        ambient_var += variance[b] / (double)(tail * tail);
    }
    f.n = n;
    for (size_t b = 0; b < n; b++) {
        f.net[b] -= ambient + (compensated ? leakage(zone, b) : 0);
        signal += f.net[b];
        signal_var += variance[b];
    }
    signal_var += ambient_var * (double)(n * n);
    double delay = NAN, sd = NAN;
    if (settings.pulse_ranging && points > 1) {
        delay = fit_delay(&f, variance, &sd);
    } else if (signal > 3 * sqrt(signal_var)) {
        double centre = 0, spread = 0;
        for (size_t b = 0; b < n; b++) {
            centre += f.net[b] * (first_ps() + ((double)b + 0.5) * bin_ps()) / signal;
        }
        for (size_t b = 0; b < n; b++) {
            double d = first_ps() + ((double)b + 0.5) * bin_ps() - centre;
            spread += variance[b] * d * d;
        }
        delay = centre;
        sd = sqrt(spread) / signal;
    }
    values[0] = llround(signal * 1e9);
    values[1] = llround(sqrt(signal_var) * 1e9);
    values[2] = llround(ambient * 1e9);
    values[3] = llround(sqrt(ambient_var) * 1e9);
    double mm = delay * 0.149896229, sd_mm = sd * 0.149896229;
    if (compensated) {
        mm -= stored(PANECAL_OFFSET, zone, 0);
    }
    if (!(fabs(mm) < 1e6 && sd_mm < 1e6)) {
        return 4; /* also without a number */
    }
    values[4] = llround(mm * 1000);
    values[5] = (int64_t)ceil(sd_mm * 1000);
    return 6;
}
