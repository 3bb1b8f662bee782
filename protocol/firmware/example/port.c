/* port.c: a port of the kit. What is the processor's own stands in board.h;
 * the numbers of the unit and the shot interrupt are to be made your own. */
#include <string.h>

#include "board.h"
#include "pageflash.h"
#include "panecal.h"

enum { ROWS = 6, COLUMNS = 9, BINS = 96, FRAMES = 20, STORED_BINS = 17, HELD = 4, PAYLOAD_IN = 512 };
enum { PERIOD_NS = 20000, PHOTONS_MAX = 16 };
enum { ZONES = ROWS * COLUMNS, BLOCK = PANECAL_BLOCK_BYTES(ZONES, STORED_BINS) };
enum { SLOT = PANECAL_SLOT_BYTES(BLOCK, BOARD_WORD) };

/* The accumulators. */
static uint32_t bins[ZONES][BINS], totals[ZONES], frames[FRAMES][ZONES];

/* A capture as the shot interrupt sees it. Each is read and written in one
 * piece by any 32-bit processor; a number of 64 bits would not be. The main
 * loop writes them only while nothing fires. */
static struct panecal_capture capture;
static volatile uint32_t whole_frames; /* done */
static volatile uint32_t frame_shots;  /* fired in the frame that is not whole yet */
static volatile bool firing;

static uint8_t staging[BLOCK];
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
            [PANECAL_BIN_FS] = 250000, [PANECAL_FIRST_BIN_FS] = -3000000, [PANECAL_PERIOD_NS] = PERIOD_NS,
            [PANECAL_FIRST_PHOTON] = 0, [PANECAL_COUNT_BITS] = 32,
            [PANECAL_PAYLOAD_IN] = PAYLOAD_IN, [PANECAL_PAYLOAD_OUT] = 1024, [PANECAL_HELD] = HELD,
            [PANECAL_COMMIT_MS] = 200, [PANECAL_KINDS] = PANECAL_KIND(PANECAL_HISTOGRAMS) | PANECAL_KIND(PANECAL_TOTALS),
            [PANECAL_UNCOMPENSATED] = 0, [PANECAL_FRAMES] = FRAMES,
        },
    },
    .receive = receive,
    .staging = staging,
    .staging_bytes = sizeof staging,
    .slot_bytes = SLOT,
    .word_bytes = BOARD_WORD,
};

/* Captures ---------------------------------------------------------------- */

/* The interrupt at the end of a shot. Nothing in it divides: which frame a
 * shot belongs to is counted along. It ends the capture itself, so that no
 * shot is fired or counted behind the last one. */
void shot_interrupt(void);
void shot_interrupt(void)
{
    struct photon photons[PHOTONS_MAX];
    uint32_t n = board_photons(photons, PHOTONS_MAX);
    if (!firing) {
        return; /* the shot that was under way when it went dark: not counted, not told */
    }
    uint32_t *frame = frames[whole_frames];
    for (uint32_t i = 0; i < n; i++) {
        uint32_t zone = photons[i].zone;
        uint32_t *bin = &bins[zone][photons[i].bin];
        *bin = panecal_add(*bin, 1, 32);
        totals[zone] = panecal_add(totals[zone], 1, 32);
        frame[zone] = panecal_add(frame[zone], 1, 32);
    }
    uint32_t shots = frame_shots + 1;
    if (shots < capture.shots) {
        frame_shots = shots;
        return;
    }
    if (whole_frames + 1 == capture.frames) {
        firing = false;
        board_light(false);
    }
    frame_shots = 0;
    whole_frames = whole_frames + 1;
}

/* HERE: a timer interrupt of the same or a lower priority, every 10 ms. */
void tick_interrupt(void);
void tick_interrupt(void) { panecal_watchdog(&unit); }

bool panecal_port_start(const struct panecal_capture *what)
{
    memset(bins, 0, sizeof bins);
    memset(totals, 0, sizeof totals);
    memset(frames, 0, sizeof frames);
    capture = *what;
    whole_frames = 0;
    frame_shots = 0;
    firing = true; /* last: from here on the numbers are the interrupt's */
    board_light(true);
    return true;
}

void panecal_port_dark(void)
{
    firing = false;
    board_light(false);
}

void panecal_port_progress(struct panecal_progress *now)
{
    /* Two numbers that belong together: read again until no interrupt came in
     * between. */
    uint32_t done, shots;
    do {
        done = whole_frames;
        shots = frame_shots;
    } while (done != whole_frames);
    now->shots = (uint64_t)done * capture.shots + shots;
    now->frames = (uint16_t)done;
    now->state = done == capture.frames ? PANECAL_FINISHED : PANECAL_FIRING;
    now->left_ms = 0;
    now->millicelsius = board_millicelsius(); /* HERE: the mean over the shots, if it changes meanwhile */
}

void panecal_port_status(struct panecal_status *now)
{
    now->millicelsius = board_millicelsius();
    now->emitter = firing;
    now->faults = 0; /* HERE: of the emitter's driver and the detector */
}

uint32_t panecal_port_count(uint32_t table, uint32_t zone, uint32_t column)
{
    return table == PANECAL_TABLE_BINS ? bins[zone][column] : table == PANECAL_TABLE_TOTALS ? totals[zone] : frames[column][zone];
}

uint32_t panecal_port_range(uint32_t zone, int64_t values[6])
{
    (void)zone; /* only with PANECAL_RANGES */
    memset(values, 0, 6 * sizeof values[0]);
    return 4;
}

/* Line, time, constants --------------------------------------------------- */

int panecal_port_read(void) { return board_receive(); }
void panecal_port_write(const uint8_t *bytes, uint32_t count) { board_send(bytes, count); }
uint32_t panecal_port_ms(void) { return board_ms(); }
void panecal_port_restart(void) { board_reset(); }
void panecal_port_console(uint8_t byte) { (void)byte; } /* only with a console */

void panecal_port_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes) { pageflash_load(slot, offset, to, bytes); }
bool panecal_port_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes) { return pageflash_store(slot, offset, from, bytes); }

int main(void)
{
    pageflash_begin(SLOT);
    panecal_begin(&unit, &setup);
    board_begin();
    for (;;) {
        panecal_poll(&unit);
    }
}
