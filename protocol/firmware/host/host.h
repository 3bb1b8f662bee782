/* host.h: the second simulated unit. The kit runs in an ordinary process on
 * Linux; this is the hardware around it: a pseudo-terminal for the line, an
 * array for the flash, an interval timer for the interrupt, and photons from
 * its own simple generator or from the parent. In lock step line and time are
 * the parent's, too. main.c says how the parent talks to it. */
#ifndef HOST_H
#define HOST_H

#include <setjmp.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "panecal.h"

enum { ZONES_MAX = 1024, BINS_MAX = 1024, FRAMES_MAX = 256, CELLS_MAX = 262144 };

/* Settings from the command line. */
struct settings {
    struct panecal_identity identity;
    double speed;       /* exposures run so many times faster than life */
    uint32_t write_ms;  /* that writing a block takes */
    uint32_t boot_ms;   /* from the supply to the first byte heard */
    bool parent_light;  /* counts come from the parent */
    bool events;        /* tell the parent what happens */
    bool lock_step;     /* line and time are the parent's */
    bool forgets;       /* the memory of the constants needs the supply */
    bool pulse_ranging; /* fit the pulse; else the mean of all net counts */
    uint64_t noise;     /* start of the generator */
    const char *flash;  /* file that holds the flash between runs, NULL = none */
};
extern struct settings settings;
extern struct panecal unit;
static inline int64_t number(size_t which) { return settings.identity.number[which]; }

/* main.c */
void event(const char *format, ...);
bool read_parent(int wait_ms); /* takes one command; false: there was none. -1 waits for it */
bool parent_gone(void);
#define UNTIL_TOLD UINT32_MAX
void power_fails(uint32_t for_ms); /* does not return */

/* clock.c */
#define FOREVER 1e18
double now_ms(void);
void wait_ms(uint32_t ms);
void clock_grant(double until_ms); /* lock step: the parent lets time go on */
void clock_rest(double until_ms);  /* lock step: nothing to do before then; comes back earlier if something comes */

/* line.c */
const char *line_open(void);
int line_fd(void);
void line_flush(void);
void line_drop(void); /* what came while there was no power */
void line_bring(const uint8_t *data, size_t bytes); /* lock step: bytes that come when the time granted is over */
bool line_arrive(void);                             /* ... and now is then; false if none were brought */
bool line_waiting(void);                            /* lock step: bytes that are not read yet */

/* flash.c */
enum { WORD = 8 }; /* bytes that are programmed once between two erases */
void flash_begin(uint32_t slot_bytes);
bool flash_cut(uint32_t write, uint32_t for_ms); /* power fails at that write from now; 0 = not at all. Did it? */
uint32_t flash_writes(void);
void flash_flip(uint32_t slot, uint32_t offset); /* a bit */
void flash_forget(void);

/* light.c */
struct scene {
    double leakage, ambient, signal; /* counts per shot; ambient also per bin */
    double leakage_mm, target_mm;
};
extern struct scene scene;
extern volatile bool firing; /* a capture runs */
extern int32_t millicelsius;
extern uint32_t faults;
void light_dark(void); /* no power */
void light_parent(uint32_t id, uint64_t shots, uint16_t frames, int32_t temperature, const uint8_t *data, size_t bytes);
size_t zones(void);
size_t inner_bins(void);          /* bins that the hardware has, told or not */
const uint32_t *inner_counts(size_t zone);
uint64_t inner_shots(void);
double light_share(double mm, size_t bin); /* of a pulse from that distance */
double bin_ps(void);
double first_ps(void);

/* ranging.c */
bool ranging_pulse(const char *numbers); /* start, step, density; ps */
uint32_t ranging(uint32_t zone, bool compensated, int64_t values[6]);

#endif
