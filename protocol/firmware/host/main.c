/* main.c: the second simulated unit as a program.
 *
 *   unit [key=value ...]
 *
 * It prints {"port":"PATH"} ("open" and "close" with a console) and speaks the
 * protocol on that pseudo-terminal until its standard input ends (or for ever,
 * with stay=1). A bench may write one command a line; each is answered by one
 * line: "ok", "ok VALUE" or "no".
 *
 *   off | on                 the supply
 *   reset                    both, quickly
 *   cut N                    the supply fails in the middle of the N-th write to the memory of the
 *                            constants from now (an erase counts as one, then so many bytes each, see
 *                            flash.c) and comes back by itself; 0 takes that back: ok 1 if it happened
 *   fault BITS               as in SPEC.md 5.2.2; emitter or detector ends a capture; 0 heals
 *   damage                   a bit of the block in force flips
 *   light                    ok 1 while the emitter is driven, else ok 0
 *   writes                   ok N: writes to the memory of the constants so far
 *   temperature MILLICELSIUS
 *   scene LEAKAGE MM AMBIENT SIGNAL MM   counts per shot (ambient also per bin) and distances
 *   pulse START STEP D D D ...           ps; shape that ranges are fitted with
 *   counts ID SHOTS FRAMES MILLICELSIUS BYTES   and so many bytes: see light.c
 *   constants BYTES          and so many bytes: puts a block into force, as if written before
 *   held                     ok HEX: the block in force, nothing if there is none
 *   at MS BYTES              lock step only, and so many bytes: see below
 *   quit
 *
 * With events=1 come lines in between:
 *
 *   event off | on           the supply
 *   event ended ID WHOLE     with light=parent: the parent shall send the counts of this capture
 *   event line HEX           bytes that the unit has read from the line
 *
 * In lock step (events=1 time=parent) there is no pseudo-terminal and no clock.
 * The program stands still until the parent lets it go on:
 *
 *   at MS BYTES              up to this moment, when these bytes come from the line
 *
 * is answered by what happens on the way, by
 *
 *   event said HEX           bytes for the line, at once
 *
 * and, instead of ok, by
 *
 *   rest MS                  nothing more until this moment; -1 until something comes
 *
 * Whoever gets "event ended" has to send the counts before that.
 */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <unistd.h>

#include "host.h"
#include "inside.h"

enum { TICK_MS = 10, OTHERS_BLOCK = 512 /* bytes; one that another unit left in the memory */ };

struct settings settings = {
    .identity = {"chip-0001", "H54-000001", "hopper-54", "c 1.0",
                 {6, 9, 96, 250000, -3000000, 100, 0, 32, 1024, 1024, 4, 60, 15, 1, 64}},
    .speed = 1, .write_ms = 30, .boot_ms = 20, .noise = 1,
};
struct panecal unit;

static struct panecal_setup setup;
static const char *banner = "";
static sigjmp_buf dark;
static volatile sig_atomic_t ticking; /* the unit has power and has begun */
static bool powered, announced; /* announced: the first line is out */
static double back_at = -1; /* power returns; -1 = by command only */

void event(const char *format, ...)
{
    va_list arguments;
    if (!settings.events || !announced) {
        return;
    }
    va_start(arguments, format);
    fputs("event ", stdout);
    vprintf(format, arguments);
    putchar('\n');
    va_end(arguments);
    fflush(stdout);
}

/* The interrupt. */
static void tick(int unused)
{
    int kept = errno;
    (void)unused;
    if (ticking) {
        panecal_watchdog(&unit);
    }
    errno = kept;
}

static size_t receive_bytes(void)
{
    return PANECAL_RECEIVE_BYTES((size_t)number(PANECAL_HELD), (size_t)number(PANECAL_PAYLOAD_IN));
}

/* Power ------------------------------------------------------------------ */

static void go_dark(uint32_t for_ms)
{
    ticking = 0;
    powered = false;
    light_dark();
    line_drop();
    if (settings.forgets) {
        flash_forget();
    }
    back_at = for_ms == UNTIL_TOLD ? -1 : now_ms() + for_ms;
    event("off");
}

void power_fails(uint32_t for_ms)
{
    go_dark(for_ms);
    siglongjmp(dark, 1);
}

void panecal_port_restart(void)
{
    line_flush();
    go_dark(settings.boot_ms);
    siglongjmp(dark, 1);
}

static void console(const char *text)
{
    while (*text != 0) {
        const uint8_t byte = (uint8_t)*text++;
        panecal_port_write(&byte, 1);
    }
}

static void power_on(void)
{
    line_drop();
    memset(&unit, 0xA5, sizeof unit); /* memory without power holds anything */
    memset(setup.receive, 0xA5, receive_bytes());
    memset(setup.staging, 0xA5, setup.staging_bytes);
    panecal_begin(&unit, &setup);
    powered = true;
    back_at = -1;
    ticking = 1;
    console(banner);
    event("on");
}

void panecal_port_console(uint8_t byte)
{
    panecal_port_write(&byte, 1); /* echo */
}

/* The parent ------------------------------------------------------------- */

static char text[1 << 16];
static size_t text_end;
static bool ended;

static bool more_text(int wait_ms)
{
    struct pollfd p = {0, POLLIN, 0};
    if (ended || text_end == sizeof text - 1 || poll(&p, 1, wait_ms) <= 0) {
        return false;
    }
    ssize_t n = read(0, text + text_end, sizeof text - 1 - text_end);
    if (n <= 0) {
        ended = true;
        return false;
    }
    text_end += (size_t)n;
    return true;
}

static void drop_text(size_t n)
{
    text_end -= n;
    memmove(text, text + n, text_end);
}

/* Bytes that follow a command; NULL if they do not come. To be freed. */
static uint8_t *blob(size_t bytes)
{
    uint8_t *data = malloc(bytes > 0 ? bytes : 1);
    size_t have = 0;
    while (data != NULL && have < bytes && (text_end > 0 || more_text(1000))) {
        size_t n = text_end < bytes - have ? text_end : bytes - have;
        memcpy(data + have, text, n);
        have += n;
        drop_text(n);
    }
    if (have < bytes) {
        free(data);
        return NULL;
    }
    return data;
}

/* The block in force, also while there is no power. */
static void print_held(void)
{
    struct panecal other = {.setup = &setup};
    uint8_t byte;
    panecal_constants_find(&other);
    printf("ok ");
    for (uint32_t i = 0; i < other.length; i++) {
        panecal_port_load(other.slot, i, &byte, 1);
        printf("%02x", byte);
    }
    putchar('\n');
}

static void command(char *line)
{
    unsigned long a, b, n;
    unsigned long long shots;
    long t;
    double ms;
    if (settings.lock_step && sscanf(line, "at %lf %lu", &ms, &n) == 2 && n < 1ul << 16) {
        uint8_t *data = blob(n);
        if (data != NULL) {
            line_bring(data, n);
        }
        free(data);
        clock_grant(ms);
        return;
    }
    if (strcmp(line, "light") == 0) {
        struct panecal_status s;
        panecal_port_status(&s); /* the sequencer may have come to its end */
        printf("ok %d\n", s.emitter);
    } else if (strcmp(line, "off") == 0) {
        puts("ok");
        fflush(stdout);
        power_fails(UNTIL_TOLD);
    } else if (strcmp(line, "on") == 0) {
        puts("ok");
        if (!powered) {
            back_at = now_ms() + settings.boot_ms;
        }
    } else if (strcmp(line, "reset") == 0) {
        puts("ok");
        fflush(stdout);
        power_fails(settings.boot_ms);
    } else if (sscanf(line, "cut %lu", &a) == 1) {
        bool happened = flash_cut((uint32_t)a, settings.boot_ms);
        puts(a == 0 && happened ? "ok 1" : a == 0 ? "ok 0" : "ok");
    } else if (strcmp(line, "writes") == 0) {
        printf("ok %lu\n", (unsigned long)flash_writes());
    } else if (strcmp(line, "damage") == 0 && unit.slot < 2) {
        flash_flip(unit.slot, unit.length / 2);
        puts("ok");
    } else if (sscanf(line, "temperature %ld", &t) == 1) {
        millicelsius = (int32_t)t;
        puts("ok");
    } else if (sscanf(line, "fault %lu", &a) == 1) {
        faults = (uint32_t)a;
        puts("ok");
    } else if (sscanf(line, "scene %lf %lf %lf %lf %lf", &scene.leakage, &scene.leakage_mm, &scene.ambient, &scene.signal,
                      &scene.target_mm) == 5) {
        puts("ok");
    } else if (strncmp(line, "pulse ", 6) == 0) {
        puts(ranging_pulse(line + 6) ? "ok" : "no");
    } else if (sscanf(line, "counts %lu %llu %lu %ld %lu", &a, &shots, &b, &t, &n) == 5 && n < 1ul << 28) {
        uint8_t *data = blob(n);
        if (data != NULL) {
            light_parent((uint32_t)a, shots, (uint16_t)b, (int32_t)t, data, n);
        }
        puts(data != NULL ? "ok" : "no");
        free(data);
    } else if (sscanf(line, "constants %lu", &n) == 1 && n >= 20 && PANECAL_SLOT_BYTES(n, (unsigned)WORD) <= setup.slot_bytes) {
        uint8_t *data = blob(n);
        uint32_t takes = settings.write_ms;
        settings.write_ms = 0;
        puts(data != NULL && panecal_constants_write(&unit, data, (uint32_t)n) ? "ok" : "no");
        settings.write_ms = takes;
        free(data);
    } else if (strcmp(line, "held") == 0) {
        print_held();
    } else if (strcmp(line, "quit") == 0) {
        puts("ok");
        ended = true;
    } else {
        puts("no");
    }
    fflush(stdout);
}

bool parent_gone(void) { return ended; }

bool read_parent(int wait_ms)
{
    static char line[sizeof text];
    char *end = memchr(text, '\n', text_end);
    if (end == NULL) {
        more_text(wait_ms);
        end = memchr(text, '\n', text_end);
    }
    if (end == NULL) {
        return false;
    }
    size_t n = (size_t)(end - text);
    memcpy(line, text, n);
    line[n] = 0;
    drop_text(n + 1);
    command(line);
    return true;
}

/* Start ------------------------------------------------------------------ */

/* Text with \n, \r and \\ as they are typed. */
static const char *unescaped(char *s)
{
    char *to = s;
    for (const char *from = s; *from != 0; from++) {
        if (*from == '\\' && from[1] != 0) {
            from++;
            *to++ = *from == 'n' ? '\n' : *from == 'r' ? '\r' : *from;
        } else {
            *to++ = *from;
        }
    }
    *to = 0;
    return s;
}

static bool set(char *argument)
{
    struct panecal_identity *id = &settings.identity;
    char *value = strchr(argument, '=');
    if (value == NULL) {
        return false;
    }
    *value++ = 0;
    const struct { const char *key; const char **to; } texts[] = {
        {"unit", &id->unit}, {"serial", &id->serial}, {"product", &id->product}, {"firmware", &id->firmware},
        {"open", &setup.open_text}, {"close", &setup.close_text}, {"banner", &banner}, {"flash", &settings.flash},
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (strcmp(argument, texts[i].key) == 0) {
            *texts[i].to = unescaped(value);
            return true;
        }
    }
    static const char *const names[PANECAL_NUMBERS] = {
        "rows", "columns", "bins", "bin_fs", "first_bin_fs", "period_ns", "first_photon", "count_bits",
        "payload_in", "payload_out", "held", "commit_ms", "kinds", "uncompensated", "frames",
    };
    for (size_t i = 0; i < PANECAL_NUMBERS; i++) {
        if (strcmp(argument, names[i]) == 0) {
            id->number[i] = strtoll(value, NULL, 10);
            return true;
        }
    }
    if (strcmp(argument, "speed") == 0) {
        settings.speed = strtod(value, NULL);
    } else if (strcmp(argument, "write_ms") == 0) {
        settings.write_ms = (uint32_t)strtoul(value, NULL, 10);
    } else if (strcmp(argument, "boot_ms") == 0) {
        settings.boot_ms = (uint32_t)strtoul(value, NULL, 10);
    } else if (strcmp(argument, "noise") == 0) {
        settings.noise = strtoull(value, NULL, 10);
    } else if (strcmp(argument, "light") == 0) {
        settings.parent_light = strcmp(value, "parent") == 0;
    } else if (strcmp(argument, "events") == 0) {
        settings.events = *value == '1';
    } else if (strcmp(argument, "time") == 0) {
        settings.lock_step = strcmp(value, "parent") == 0;
    } else if (strcmp(argument, "memory") == 0) {
        settings.forgets = strcmp(value, "volatile") == 0;
    } else if (strcmp(argument, "ranging") == 0) {
        settings.pulse_ranging = strcmp(value, "pulse") == 0;
    } else {
        return false;
    }
    return true;
}

/* The ranges of the specification, as far as this program depends on them. */
static bool sensible(void)
{
    static const int64_t least[PANECAL_NUMBERS] = {1, 1, 0, 0, INT64_MIN, 1, 0, 8, 256, 512, 1, 0, 1, 0, 1};
    static const int64_t most[PANECAL_NUMBERS] = {ZONES_MAX, ZONES_MAX, BINS_MAX, 1000000000, INT64_MAX, 1000000000, 1, 32,
                                                  8192, 8192, PANECAL_HELD_MAX, 10000, 15, 1, FRAMES_MAX};
    for (size_t i = 0; i < PANECAL_NUMBERS; i++) {
        if (number(i) < least[i] || number(i) > most[i]) {
            return false;
        }
    }
    return zones() <= ZONES_MAX && zones() * inner_bins() <= CELLS_MAX && settings.speed > 0;
}

/* Lock step: when there is something to do, unless something comes. */
static double next_ms(void)
{
    if (!powered) {
        return back_at >= 0 ? back_at : FOREVER;
    }
    bool dimmed = unit.capture.id != 0 && !unit.running && !unit.frozen; /* by the watchdog; not yet looked at */
    bool busy = unit.count > 0 || unit.work || unit.closing || dimmed || line_waiting();
    bool ends = firing || (unit.open && setup.open_text != NULL); /* something by itself */
    return busy ? now_ms() : ends ? now_ms() + TICK_MS : FOREVER;
}

/* A member of the first line. */
static void print_text(const char *name, const char *s)
{
    printf(",\"%s\":\"", name);
    for (; *s != 0; s++) {
        printf(*s == '"' || *s == '\\' || (uint8_t)*s < ' ' ? "\\u%04x" : "%c", (uint8_t)*s);
    }
    putchar('"');
}

int main(int argc, char **argv)
{
    static bool stay, was_open = true;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "stay=1") == 0) {
            stay = true;
        } else if (!set(argv[i])) {
            fprintf(stderr, "unknown setting: %s\n", argv[i]);
            return 2;
        }
    }
    if (!sensible()) {
        fputs("settings outside the range of the specification\n", stderr);
        return 2;
    }
    setup.identity = settings.identity;
    uint32_t z = (uint32_t)zones();
    uint32_t block = PANECAL_BLOCK_BYTES(z, (uint32_t)number(PANECAL_BINS));
    setup.staging_bytes = block;
    setup.slot_bytes = PANECAL_SLOT_BYTES(block < OTHERS_BLOCK ? OTHERS_BLOCK : block, (unsigned)WORD);
    setup.word_bytes = WORD;
    setup.staging = malloc(block);
    setup.receive = malloc(receive_bytes());
    const char *path = line_open();
    if (path == NULL || setup.staging == NULL || setup.receive == NULL) {
        perror("opening a pseudo-terminal");
        return 1;
    }
    flash_begin(setup.slot_bytes);

    struct sigaction action = {.sa_handler = tick, .sa_flags = SA_RESTART};
    struct itimerval every = {{0, TICK_MS * 1000}, {0, TICK_MS * 1000}};
    sigaction(SIGALRM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    if (!settings.lock_step) {
        setitimer(ITIMER_REAL, &every, NULL);
    }
    power_on(); /* before anybody can send what would be dropped */
    printf("{\"port\":\"%s\"", path);
    if (setup.open_text != NULL) {
        print_text("open", setup.open_text);
        print_text("close", setup.close_text != NULL ? setup.close_text : "");
    }
    puts("}");
    fflush(stdout);
    announced = true;

    (void)sigsetjmp(dark, 1); /* where the unit comes out when its power fails */
    while (!ended || stay) {
        if (settings.lock_step) {
            clock_rest(next_ms());
        } else {
            struct pollfd p[2] = {{line_fd(), POLLIN, 0}, {0, POLLIN, 0}};
            poll(p, ended ? 1 : 2, firing ? 1 : 3);
            while (read_parent(0)) {
            }
        }
        if (powered) {
            bool open = panecal_poll(&unit);
            if (was_open && !open && setup.open_text != NULL) {
                console("\r\n> ");
            }
            was_open = open;
            line_flush();
            if (settings.lock_step) {
                tick(0);
            }
        } else {
            line_drop();
            if (back_at >= 0 && now_ms() >= back_at) {
                power_on();
            }
        }
    }
    return 0;
}
