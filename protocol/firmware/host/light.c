/* light.c: the clock of an exposure, its photons, and the accumulators. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "host.h"

static uint32_t bins[CELLS_MAX];
static uint32_t totals[ZONES_MAX];
static uint32_t frame_totals[FRAMES_MAX][ZONES_MAX];
static struct { uint32_t n; int64_t v[6]; } told[ZONES_MAX]; /* ranges from the parent */

static struct panecal_capture now;
static double started;
static uint64_t counted;     /* shots whose photons are in the accumulators */
static uint64_t parent_shots;
static uint16_t parent_frames;
static int32_t parent_temperature;
static bool parent_done, told_due;
static uint64_t dark_at;     /* shots fired when the sequencer stopped */

struct scene scene = {0.02, 1e-4, 0, 3, 300};
volatile bool firing; /* a capture runs */
int32_t millicelsius = 24500;
uint32_t faults;

size_t zones(void) { return (size_t)(number(PANECAL_ROWS) * number(PANECAL_COLUMNS)); }
size_t inner_bins(void) { return number(PANECAL_BINS) > 0 ? (size_t)number(PANECAL_BINS) : 96; }
static uint8_t count_bits(void) { return (uint8_t)number(PANECAL_COUNT_BITS); }
double bin_ps(void) { return number(PANECAL_BINS) > 0 ? (double)number(PANECAL_BIN_FS) / 1000 : 240; }
double first_ps(void) { return number(PANECAL_BINS) > 0 ? (double)number(PANECAL_FIRST_BIN_FS) / 1000 : -2880; }
const uint32_t *inner_counts(size_t zone) { return bins + zone * inner_bins(); }
uint64_t inner_shots(void) { return settings.parent_light ? parent_shots : counted; }

static uint64_t wanted(void) { return (uint64_t)now.shots * now.frames; }

/* Shots that the clock allows. */
static uint64_t due(void)
{
    if (!firing) {
        return dark_at;
    }
    double n = (now_ms() - started) * 1e6 * settings.speed / (double)number(PANECAL_PERIOD_NS);
    return n < (double)wanted() ? (uint64_t)n : wanted();
}

/* Random numbers: a counter, well mixed (the finaliser of a 64-bit hash). */
static double uniform(void)
{
    uint64_t x = settings.noise += 0x9E3779B97F4A7C15u;
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9u;
    x = (x ^ x >> 27) * 0x94D049BB133111EBu;
    return ((double)((x ^ x >> 31) >> 11) + 0.5) / 9007199254740992.0;
}

static uint32_t poisson(double mean)
{
    if (mean > 100) { /* close enough to normal for trying a wire */
        double n = floor(mean + sqrt(mean) * sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform()) + 0.5);
        return n < 0 ? 0 : n > 4294967295.0 ? 4294967295u : (uint32_t)n;
    }
    uint32_t n = 0;
    for (double left = uniform(), end = exp(-mean); left > end; left *= uniform()) {
        n++;
    }
    return n;
}

/* Share of a pulse that falls into a bin. */
double light_share(double mm, size_t bin)
{
    double sd = 0.4 * 500, delay = mm / 0.149896229;
    double from = first_ps() + (double)bin * bin_ps() - delay;
    return 0.5 * (erf((from + bin_ps()) / (sd * 1.4142135623730951)) - erf(from / (sd * 1.4142135623730951)));
}

static void expose(uint64_t until)
{
    size_t nb = inner_bins();
    while (counted < until) {
        uint64_t frame = counted / now.shots;
        uint64_t end = (frame + 1) * now.shots < until ? (frame + 1) * now.shots : until;
        double shots = (double)(end - counted);
        for (size_t b = 0; b < nb; b++) {
            double rate = scene.ambient;
            if (now.kind != PANECAL_EVEN_LIGHT) {
                rate += scene.leakage * light_share(scene.leakage_mm, b) + scene.signal * light_share(scene.target_mm, b);
            }
            for (size_t z = 0; z < zones(); z++) {
                uint32_t n = poisson(rate * shots * (1 + 0.2 * (double)z / (double)zones()));
                uint32_t *cell = &bins[z * nb + b];
                *cell = panecal_add(*cell, n, count_bits());
                totals[z] = panecal_add(totals[z], n, 32);
                frame_totals[frame][z] = panecal_add(frame_totals[frame][z], n, 32);
            }
        }
        counted = end;
    }
}

bool panecal_port_start(const struct panecal_capture *what)
{
    if (faults & (PANECAL_FAULT_EMITTER | PANECAL_FAULT_DETECTOR)) {
        return false;
    }
    memset(bins, 0, sizeof bins);
    memset(totals, 0, sizeof totals);
    memset(frame_totals, 0, sizeof frame_totals);
    memset(told, 0, sizeof told);
    now = *what;
    counted = parent_shots = dark_at = 0;
    parent_frames = 0;
    parent_done = told_due = false;
    started = now_ms();
    firing = true;
    return true;
}

void panecal_port_dark(void)
{
    if (firing) {
        dark_at = due();
        firing = false;
    }
}

void light_dark(void)
{
    firing = false;
    now.id = 0;
}

void panecal_port_progress(struct panecal_progress *tell)
{
    uint64_t fired = due();
    if (firing && fired == wanted()) {
        panecal_port_dark(); /* the sequencer fires no more than it was told */
    }
    tell->state = PANECAL_FIRING;
    tell->millicelsius = millicelsius;
    if (settings.parent_light) {
        if (!firing && !told_due) {
            told_due = true;
            event("ended %lu %d", (unsigned long)now.id, fired == wanted());
        }
        /* A capture cut short is answered for at once: wait for its photons;
         * in lock step, where no time passes meanwhile, for those of any. */
        double until = now_ms() + 80;
        while (settings.lock_step && !firing && !parent_done && read_parent(-1)) {
        }
        while (!firing && !parent_done && fired != wanted() && now_ms() < until && !parent_gone()) {
            read_parent(5);
        }
        if (parent_done) {
            fired = parent_shots;
            tell->millicelsius = parent_temperature;
        }
    } else {
        uint64_t whole = fired / now.shots * now.shots;
        expose(firing ? whole : fired);
    }
    if (!firing && fired == wanted() && (parent_done || !settings.parent_light)) {
        tell->state = PANECAL_FINISHED;
    } else if (faults & (PANECAL_FAULT_EMITTER | PANECAL_FAULT_DETECTOR)) {
        tell->state = PANECAL_FAILED;
    }
    tell->shots = fired;
    tell->frames = (uint16_t)(fired / now.shots);
    double left = (double)(wanted() - fired) * (double)number(PANECAL_PERIOD_NS) / settings.speed / 1e6;
    tell->left_ms = left < 1e9 ? (uint32_t)ceil(left) : 1000000000u;
}

void panecal_port_status(struct panecal_status *tell)
{
    if (firing && due() == wanted()) {
        panecal_port_dark();
    }
    tell->millicelsius = millicelsius;
    tell->emitter = firing && now.kind != PANECAL_EVEN_LIGHT;
    tell->faults = faults;
}

uint32_t panecal_port_count(uint32_t table, uint32_t zone, uint32_t column)
{
    switch (table) {
    case PANECAL_TABLE_BINS:
        return bins[zone * inner_bins() + column];
    case PANECAL_TABLE_TOTALS:
        return totals[zone];
    default:
        return frame_totals[column][zone];
    }
}

uint32_t panecal_port_range(uint32_t zone, int64_t values[6])
{
    if (told[zone].n > 0) {
        memcpy(values, told[zone].v, sizeof told[zone].v);
        return told[zone].n;
    }
    return ranging(zone, now.compensated, values);
}

static uint32_t get32(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

/* Counts from the parent: bins of every zone, then the zones' totals of each
 * frame, 32 bits each, little endian; or of every zone the number of values
 * and six values of 64 bits. */
void light_parent(uint32_t id, uint64_t shots, uint16_t frames, int32_t temperature, const uint8_t *data, size_t bytes)
{
    if (id != now.id || parent_done) {
        return;
    }
    size_t nb = inner_bins();
    if (bytes == zones() * 56 && now.kind == PANECAL_RANGES) {
        for (size_t z = 0; z < zones(); z++, data += 56) {
            told[z].n = data[0] == 6 ? 6 : 4;
            for (int i = 0; i < 6; i++) {
                uint64_t v = get32(data + 8 + 8 * i) | (uint64_t)get32(data + 12 + 8 * i) << 32;
                memcpy(&told[z].v[i], &v, 8);
            }
        }
    } else if (bytes == 4 * zones() * (nb + frames) && frames <= FRAMES_MAX) {
        for (size_t i = 0; i < zones() * nb; i++, data += 4) {
            bins[i] = panecal_add(0, get32(data), count_bits());
        }
        for (size_t f = 0; f < frames; f++) {
            for (size_t z = 0; z < zones(); z++, data += 4) {
                frame_totals[f][z] = get32(data);
                totals[z] = panecal_add(totals[z], get32(data), 32);
            }
        }
    }
    parent_shots = shots;
    parent_frames = frames;
    parent_temperature = temperature;
    parent_done = true;
}
