/* clock.c: the time that the unit lives in. It is the computer's, or, in lock
 * step, the parent's: then the program has no line of its own either, and does
 * nothing but what the parent lets it do up to a moment, see main.c. */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <stdio.h>
#include <time.h>

#include "host.h"

static double clock_ms;   /* in lock step: now */
static double granted_ms; /* in lock step: so far may time go on */
static bool owed;         /* the parent waits to hear that we rest */

double now_ms(void)
{
    struct timespec t;
    if (settings.lock_step) {
        return clock_ms;
    }
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e3 + (double)t.tv_nsec / 1e6;
}

uint32_t panecal_port_ms(void) { return (uint32_t)(uint64_t)now_ms(); }

void clock_grant(double until_ms)
{
    granted_ms = until_ms > clock_ms ? until_ms : clock_ms;
    owed = true;
}

void clock_rest(double until_ms)
{
    if (until_ms <= clock_ms) {
        return;
    }
    if (until_ms < granted_ms) {
        clock_ms = until_ms;
        return;
    }
    clock_ms = granted_ms;
    if (line_arrive()) {
        return;
    }
    line_flush();
    if (owed) {
        owed = false;
        printf("rest %.6f\n", until_ms < FOREVER ? until_ms : -1);
        fflush(stdout);
    }
    read_parent(-1);
}

void wait_ms(uint32_t ms)
{
    if (settings.lock_step) {
        double until = now_ms() + ms;
        while (now_ms() < until && !parent_gone()) {
            clock_rest(until);
        }
        return;
    }
    struct timespec left = {ms / 1000, (long)(ms % 1000) * 1000000L};
    while (nanosleep(&left, &left) != 0 && errno == EINTR) {
    }
}
