/* port.c: a skeleton to begin a port with. It compiles and answers "who are
 * you"; replace each line marked HERE by the access to your hardware. */
#include <string.h>

#include "panecal.h"

enum { ROWS = 6, COLUMNS = 9, BINS = 96, FRAMES = 20, STORED_BINS = 17, HELD = 4, PAYLOAD_IN = 512 };
enum { ZONES = ROWS * COLUMNS, BLOCK = PANECAL_BLOCK_BYTES(ZONES, STORED_BINS) };

/* The accumulators: yours, wherever the hardware or its interrupt adds. */
static uint32_t bins[ZONES][BINS], totals[ZONES], frames[FRAMES][ZONES];
static struct panecal_capture capture;
static volatile uint64_t fired;
static volatile bool emitter;

/* The constants: two pages of flash, and a block on its way in. */
static uint8_t slots[2][PANECAL_SLOT_BYTES(BLOCK)], staging[BLOCK];

/* The kit. */
static struct panecal unit;
static uint8_t receive[PANECAL_RECEIVE_BYTES(HELD, PAYLOAD_IN)];

static const struct panecal_setup setup = {
    .identity = {
        .unit = "00A17C", /* HERE: read from the chip, and let setup lie in RAM */
        .serial = "",
        .product = "hopper-54",
        .firmware = "1.0",
        .number = {
            [PANECAL_ROWS] = ROWS, [PANECAL_COLUMNS] = COLUMNS, [PANECAL_BINS] = BINS,
            [PANECAL_BIN_FS] = 250000, [PANECAL_FIRST_BIN_FS] = -3000000, [PANECAL_PERIOD_NS] = 100,
            [PANECAL_FIRST_PHOTON] = 0, [PANECAL_COUNT_BITS] = 32,
            [PANECAL_PAYLOAD_IN] = PAYLOAD_IN, [PANECAL_PAYLOAD_OUT] = 1024, [PANECAL_HELD] = HELD,
            [PANECAL_COMMIT_MS] = 200, [PANECAL_KINDS] = PANECAL_KIND(PANECAL_HISTOGRAMS) | PANECAL_KIND(PANECAL_TOTALS),
            [PANECAL_UNCOMPENSATED] = 0, [PANECAL_FRAMES] = FRAMES,
        },
    },
    .receive = receive,
    .staging = staging,
    .staging_bytes = sizeof staging,
    .slot_bytes = sizeof slots[0],
};

int panecal_port_read(void) { return -1; }                  /* HERE: the receiver's next byte */
void panecal_port_write(uint8_t byte) { (void)byte; }       /* HERE: wait for room, then send */
uint32_t panecal_port_ms(void) { return 0; }                /* HERE: the tick counter */
void panecal_port_restart(void) {}                          /* HERE: wait until all is sent, then reset */
void panecal_port_console(uint8_t byte) { (void)byte; }     /* HERE: only with a console */

bool panecal_port_start(const struct panecal_capture *what)
{
    memset(bins, 0, sizeof bins);
    memset(totals, 0, sizeof totals);
    memset(frames, 0, sizeof frames);
    fired = 0;
    capture = *what;
    emitter = true; /* HERE: emitter on, sequencer on */
    return true;
}

/* HERE: what the end of a shot calls, with zone and bin of each photon. */
void photon(uint32_t zone, uint32_t bin);
void photon(uint32_t zone, uint32_t bin)
{
    uint32_t frame = (uint32_t)(fired / capture.shots);
    bins[zone][bin] = panecal_add(bins[zone][bin], 1, 32);
    totals[zone] = panecal_add(totals[zone], 1, 32);
    frames[frame][zone] = panecal_add(frames[frame][zone], 1, 32);
}

void panecal_port_dark(void) { emitter = false; } /* HERE: emitter off, sequencer off */

void panecal_port_progress(struct panecal_progress *now)
{
    now->shots = fired;
    now->frames = (uint16_t)(fired / capture.shots);
    now->state = fired == (uint64_t)capture.shots * capture.frames ? PANECAL_FINISHED : PANECAL_FIRING;
    now->left_ms = 0;
    now->millicelsius = 25000; /* HERE */
}

void panecal_port_status(struct panecal_status *now)
{
    now->millicelsius = 25000; /* HERE */
    now->emitter = emitter;
    now->faults = 0;           /* HERE */
}

uint32_t panecal_port_count(uint32_t table, uint32_t zone, uint32_t column)
{
    return table == PANECAL_TABLE_BINS ? bins[zone][column] : table == PANECAL_TABLE_TOTALS ? totals[zone] : frames[column][zone];
}

uint32_t panecal_port_range(uint32_t zone, int64_t values[6])
{
    (void)zone; /* HERE: only with PANECAL_RANGES */
    memset(values, 0, 6 * sizeof values[0]);
    return 4;
}

void panecal_port_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes)
{
    memcpy(to, slots[slot] + offset, bytes); /* HERE */
}

bool panecal_port_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes)
{
    memcpy(slots[slot] + offset, from, bytes); /* HERE: at offset 0 erase first; return when it is durable */
    return true;
}

/* HERE: a timer interrupt, every 50 ms or oftener. */
void every_tick(void);
void every_tick(void) { panecal_watchdog(&unit); }

int main(void)
{
    panecal_begin(&unit, &setup);
    for (;;) {
        panecal_poll(&unit);
    }
}
