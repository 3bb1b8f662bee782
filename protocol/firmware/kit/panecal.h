/* panecal.h: the unit's side of the panecal wire, version 1 (../../SPEC.md).
 *
 * Put the .c files of this folder into the firmware, supply the functions
 * named panecal_port_..., and call panecal_poll from the main loop. README.md
 * goes through it step by step.
 *
 * C99; no heap, no recursion, nothing of the C library but string.h. All
 * memory is the integrator's. One unit per struct panecal; all calls from one
 * thread but panecal_watchdog, which is made for a timer interrupt.
 *
 * Caution: the unit emits invisible laser light while a capture runs. Nothing
 * here is a safety function; it replaces neither the protection in the
 * emitter's driver nor an interlock.
 */
#ifndef PANECAL_H
#define PANECAL_H

#include <stdbool.h>
#include <stdint.h>

#define PANECAL_VERSION 1u
#define PANECAL_HELD_MAX 16u

/* Kinds of capture, and their bits in panecal_identity.kinds. */
enum {
    PANECAL_HISTOGRAMS = 1, PANECAL_TOTALS = 2, PANECAL_RANGES = 3,
    PANECAL_EVEN_LIGHT = 4 /* counts like histograms, the emitter off all the time */
};
#define PANECAL_KIND(kind) (1u << ((kind) - 1u))

/* Tables of counts (SPEC.md 5.5). */
enum { PANECAL_TABLE_BINS = 1, PANECAL_TABLE_TOTALS = 2, PANECAL_TABLE_FRAMES = 3 };

/* Faults that a unit tells of in its status (5.2.2); bits 16 to 31 are the
 * product's own. The kit adds CONSTANTS and, after a failed write, MEMORY. */
#define PANECAL_FAULT_EMITTER (1ul << 0)
#define PANECAL_FAULT_DETECTOR (1ul << 1)
#define PANECAL_FAULT_CONSTANTS (1ul << 2)
#define PANECAL_FAULT_TEMPERATURE (1ul << 3)
#define PANECAL_FAULT_MEMORY (1ul << 4)

/* What the unit is: the answer to "who are you" (5.1). */
enum { /* its numbers, keys 7 to 21 */
    PANECAL_ROWS, PANECAL_COLUMNS,
    PANECAL_BINS,          /* 0 without histograms */
    PANECAL_BIN_FS,        /* width of a bin */
    PANECAL_FIRST_BIN_FS,  /* left edge of bin 0 */
    PANECAL_PERIOD_NS,     /* from shot to shot */
    PANECAL_FIRST_PHOTON,  /* 1: a zone counts at most one photon a shot */
    PANECAL_COUNT_BITS,    /* counts stick at 2^bits - 1 */
    PANECAL_PAYLOAD_IN,    /* largest payload taken in, 256 to 8192 bytes */
    PANECAL_PAYLOAD_OUT,   /* largest sent, 512 to 8192 bytes */
    PANECAL_HELD,          /* requests held, 1 to PANECAL_HELD_MAX */
    PANECAL_COMMIT_MS,     /* longest time for writing a block */
    PANECAL_KINDS,         /* sum of PANECAL_KIND(...) */
    PANECAL_UNCOMPENSATED, /* 1: ranges can be had without compensation */
    PANECAL_FRAMES,        /* largest number of frames, 1 to 256 */
    PANECAL_NUMBERS
};
struct panecal_identity {
    const char *unit;   /* the chip's own number, 1 to 32 bytes */
    const char *serial; /* on the label; "" if the unit does not hold it */
    const char *product, *firmware;
    int64_t number[PANECAL_NUMBERS];
};

/* What the kit is given once; may lie in flash. What the pointers name stays
 * the integrator's, but the kit alone uses the buffers. */
struct panecal_setup {
    struct panecal_identity identity;
    uint8_t *receive;       /* PANECAL_RECEIVE_BYTES(held, payload_in) */
    uint8_t *staging;       /* a block on its way in */
    uint32_t staging_bytes; /* largest block that can be staged */
    uint32_t slot_bytes;    /* of each of the two slots for constants: PANECAL_SLOT_BYTES(staging_bytes, word_bytes) or more */
    uint32_t word_bytes;    /* their memory is programmed so many bytes at a time: 1, 2, 4 ... 64 */
    const char *open_text;  /* opens protocol mode, 1 to 32 bytes; NULL without a console */
    const char *close_text; /* closes it, 1 to 32 bytes */
};
#define PANECAL_RECEIVE_BYTES(held, payload) ((held) * ((payload) + 4u))
/* A slot holds a block, and 16 bytes in words of their own that say that it is
 * in force. */
#define PANECAL_MARK_BYTES(word) ((word) > 16u ? (word) : 16u)
#define PANECAL_SLOT_BYTES(block, word) (((block) + (word) - 1u) / (word) * (word) + PANECAL_MARK_BYTES(word))
/* The longest block of a grid with `stored` bins of leakage and an offset per zone (6.1). */
#define PANECAL_BLOCK_BYTES(zones, stored) \
    ((92u + 4u * (zones) + 2u * (zones) * (stored) + 3u) / 4u * 4u + 4u * (zones) + 68u)

/* What to capture. */
struct panecal_capture {
    uint32_t id;
    uint8_t kind;
    bool compensated; /* ranges only: apply the constants in force */
    uint32_t shots;   /* of a frame */
    uint16_t frames;
};

/* How far a capture is. */
struct panecal_progress {
    enum { PANECAL_FIRING, PANECAL_FINISHED, PANECAL_FAILED } state; /* FINISHED: after the last shot */
    uint64_t shots;    /* fired, all frames; shots * frames exactly when FINISHED */
    uint16_t frames;   /* whole ones */
    uint32_t left_ms;  /* estimate, 0 = not known */
    int32_t millicelsius; /* mean so far */
};

/* How the unit is. */
struct panecal_status {
    int32_t millicelsius;
    bool emitter; /* may emit at this moment */
    uint32_t faults;
};

/* The kit's own state; its fields are no business of the integrator. */
struct panecal {
    const struct panecal_setup *setup;
    bool open, closing; /* protocol mode */

    uint32_t session;
    uint32_t asked;        /* ms of the last request of any */
    struct panecal_capture capture; /* id 0 = none */
    struct panecal_progress progress;
    volatile uint8_t running, end; /* shared with the interrupt, a byte each */
    volatile uint8_t fed;  /* a request under the number in force has come */
    uint32_t heard;        /* ms when the interrupt saw that */
    bool frozen;           /* progress stays as it is */

    uint32_t staged_bytes; /* length of the block being staged */
    uint32_t staged_held;  /* of these, 0 = none */
    bool work;             /* a write that a busy answer promised */
    bool write_failed, memory_fault;

    uint8_t slot;          /* in force; 2 = none ever was */
    bool sound;            /* ... and whole */
    uint32_t generation, length, tail;

    /* receiving */
    uint16_t size[PANECAL_HELD_MAX];
    uint8_t *to;           /* place of the packet that arrives */
    uint8_t first, next, count; /* packets held */
    bool inside, bad;
    uint8_t left, block;
    uint16_t got;
    uint32_t matched;      /* of the opening or closing text */

    /* sending */
    bool begun;            /* the answer to the request in work */
    uint32_t check;
    uint8_t pending, full;
    uint8_t bytes[255];    /* of the stuffing: its length, and up to 254 */
};

/* To be called --------------------------------------------------------- */

/* At the start, once, before anything else of the kit. Switches the emitter
 * off and finds the constants in force. */
void panecal_begin(struct panecal *p, const struct panecal_setup *setup);

/* From the main loop, at least every 5 ms: receives, carries out at most one
 * request and answers it. Returns false while protocol mode is closed: then
 * the console may speak, else it must be mute. */
bool panecal_poll(struct panecal *p);

/* From a timer interrupt, every 50 ms or oftener, so that a hung main loop
 * goes dark too. Light ends a second after the first call that saw the last
 * request. Calls panecal_port_ms and panecal_port_dark. */
void panecal_watchdog(struct panecal *p);

/* Adds to a count without ever wrapping (5.3.6). */
uint32_t panecal_add(uint32_t count, uint32_t more, uint8_t bits);

/* Constants in force, for units that range: an offset in mm, or leakage in
 * counts per shot over all bins or of one bin (else bin is not looked at). The
 * value stands for value * 2^-scale. False, and 0, if there are none to apply. */
enum { PANECAL_LEAKAGE, PANECAL_LEAKAGE_BIN, PANECAL_OFFSET };
bool panecal_stored(const struct panecal *p, uint32_t what, uint32_t zone, uint32_t bin, int32_t *value, uint8_t *scale);

/* To be supplied ------------------------------------------------------- */

/* Next byte received, -1 if there is none. Never waits. */
int panecal_port_read(void);

/* Sends 1 to 255 bytes; returns when the line has taken them or a buffer of
 * yours has: they are the kit's again afterwards. What is received meanwhile
 * (255 bytes last 2.8 ms at 921,600 Bd) waits in your receive buffer. */
void panecal_port_write(const uint8_t *bytes, uint32_t count);

/* Milliseconds since any moment; may wrap. Also called from the interrupt. */
uint32_t panecal_port_ms(void);

/* Clears the accumulators, switches the emitter on and begins to fire; of
 * PANECAL_EVEN_LIGHT the sequencer runs and the emitter stays off. Returns
 * within 50 ms. False: it cannot and has touched nothing (the request is
 * refused as a fault); what fails later is a capture that FAILED. */
bool panecal_port_start(const struct panecal_capture *what);

/* Tells of the capture that runs or was the last to run. */
void panecal_port_progress(struct panecal_progress *now);

/* Emitter off, at once; no shot is fired or counted afterwards. Also called
 * from the interrupt, and when it is off already. */
void panecal_port_dark(void);

void panecal_port_status(struct panecal_status *now);

/* A count straight from the accumulators, zone row-major from the top left;
 * column is the bin, 0, or the frame. Only called once the emitter is off, and
 * must give the same until the next start. */
uint32_t panecal_port_count(uint32_t table, uint32_t zone, uint32_t column);

/* What the unit ranges in a zone (5.5.3): signal, its standard uncertainty,
 * ambient, its uncertainty in 1e-9 counts; and, if 6 is returned, range and
 * its uncertainty in micrometres; else returns 4. */
uint32_t panecal_port_range(uint32_t zone, int64_t values[6]);

/* Reads from slot 0 or 1 for constants. */
void panecal_port_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes);

/* Writes into a slot; returns when it is durable. False: it failed. A write at
 * offset 0 begins the slot anew: erase it first, as its memory demands. The
 * kit writes a block at 0 and then 16 bytes into the last words of the slot.
 * Both begin with a word; the last word of either may be filled up with
 * anything. No word is written twice. */
bool panecal_port_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes);

/* Begins anew, as after a cut of the power, once the last byte is out. */
void panecal_port_restart(void);

/* A byte for the console, while protocol mode is closed. */
void panecal_port_console(uint8_t byte);

#endif
