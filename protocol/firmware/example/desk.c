/* desk.c: the board of the example as a process on a desk. The line is the
 * standard input and output, the flash a file that FLASH names, the interrupts
 * a signal. It is as strict as the real thing: whoever programs a word twice,
 * or half a word, has spoilt the flash. */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#include "board.h"

enum { FLASH_BYTES = 1 << 16, TICK_MS = 5, SHOTS_A_TICK = 250, ZONES = 54, BINS = 96 };

void shot_interrupt(void);
void tick_interrupt(void);

static uint8_t *flash;
static volatile sig_atomic_t lit;
static uint64_t noise = 1;

static void must(bool ok, const char *what)
{
    if (!ok) {
        fprintf(stderr, "desk: %s\n", what);
        abort();
    }
}

uint32_t board_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint32_t)((uint64_t)t.tv_sec * 1000 + (uint64_t)t.tv_nsec / 1000000);
}

/* The interrupts: the timer's, and those of the shots that a tick has room for. */
static void alarmed(int unused)
{
    int kept = errno;
    (void)unused;
    tick_interrupt();
    for (int i = 0; i < SHOTS_A_TICK && lit; i++) {
        shot_interrupt();
    }
    errno = kept;
}

static void every(int ms)
{
    struct itimerval t = {{0, ms * 1000}, {0, ms * 1000}};
    setitimer(ITIMER_REAL, &t, NULL);
}

/* The flash is there before anything else runs. */
static void map_flash(void)
{
    const char *name = getenv("FLASH");
    int fd = name != NULL ? open(name, O_RDWR) : -1;
    must(fd >= 0, "FLASH names no file of 65,536 bytes");
    flash = mmap(NULL, FLASH_BYTES, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    must(flash != MAP_FAILED, "the flash cannot be mapped");
    close(fd);
}

void board_begin(void)
{
    struct sigaction action = {.sa_handler = alarmed, .sa_flags = SA_RESTART};
    fcntl(0, F_SETFL, O_NONBLOCK);
    sigaction(SIGALRM, &action, NULL);
    every(TICK_MS);
}

int board_receive(void)
{
    static uint8_t buffer[512];
    static size_t at, end;
    static int idle;
    if (at == end) {
        ssize_t n = read(0, buffer, sizeof buffer);
        if (n == 0) {
            exit(0); /* nobody is at the other end any more */
        }
        at = 0;
        end = n > 0 ? (size_t)n : 0;
        if (end == 0) {
            struct timespec nap = {0, 200000};
            if (++idle > 100) { /* a process may sleep; the loop of a unit need not */
                nanosleep(&nap, NULL);
            }
            return -1;
        }
        idle = 0;
    }
    return buffer[at++];
}

void board_send(const uint8_t *bytes, uint32_t count)
{
    while (count > 0) {
        ssize_t n = write(1, bytes, count);
        if (n > 0) {
            bytes += n;
            count -= (uint32_t)n;
        } else if (errno != EINTR && errno != EAGAIN) {
            exit(0);
        }
    }
}

void board_reset(void)
{
    every(0);
    execl("/proc/self/exe", "example", (char *)NULL);
    must(false, "the reset failed");
}

void board_light(bool on) { lit = on; }
int32_t board_millicelsius(void) { return 25000; }

/* A generator of 64 bits, for trying a wire. */
static uint32_t below(uint32_t n)
{
    noise = noise * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)((noise >> 33) % n);
}

uint32_t board_photons(struct photon *to, uint32_t most)
{
    uint32_t n = below(4); /* a few a shot: leakage, target, ambient */
    for (uint32_t i = 0; i < n && i < most; i++) {
        uint32_t from = below(3);
        to[i].zone = (uint8_t)below(ZONES);
        to[i].bin = (uint8_t)(from == 0 ? 12 + below(4) : from == 1 ? 20 + below(4) : below(BINS));
    }
    return n < most ? n : most;
}

bool board_flash_erase(uint32_t page)
{
    if (flash == NULL) {
        map_flash();
    }
    must((page + 1) * BOARD_PAGE <= FLASH_BYTES, "a page behind the flash");
    memset(flash + page * BOARD_PAGE, 0xFF, BOARD_PAGE);
    return true;
}

bool board_flash_program(uint32_t offset, const uint8_t *word)
{
    must(offset % BOARD_WORD == 0 && offset + BOARD_WORD <= FLASH_BYTES, "no place for a word");
    for (uint32_t i = 0; i < BOARD_WORD; i++) {
        must(flash[offset + i] == 0xFF, "a word programmed twice");
    }
    memcpy(flash + offset, word, BOARD_WORD);
    return true;
}

void board_flash_read(uint32_t offset, uint8_t *to, uint32_t bytes)
{
    if (flash == NULL) {
        map_flash();
    }
    must(offset + bytes <= FLASH_BYTES, "a read behind the flash");
    memcpy(to, flash + offset, bytes);
}
