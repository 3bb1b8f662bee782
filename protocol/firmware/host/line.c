/* line.c: a pseudo-terminal as the serial line; in lock step the parent's
 * commands and our answers. */
#define _XOPEN_SOURCE 700
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "host.h"

static int master = -1, slave = -1;
static uint8_t in[4096], out[4096];
static size_t in_at, in_end, out_end;
static uint8_t coming[sizeof in], there[sizeof in]; /* lock step: at the time granted; now */
static size_t coming_end, there_end;

const char *line_open(void)
{
    struct termios t;
    if (settings.lock_step) {
        return "";
    }
    master = posix_openpt(O_RDWR | O_NOCTTY);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        return NULL;
    }
    const char *path = ptsname(master);
    /* The slave stays open here too: without it the master would hang up each
     * time that the station closes its side. */
    if (path == NULL || (slave = open(path, O_RDWR | O_NOCTTY)) < 0 || tcgetattr(slave, &t) != 0) {
        return NULL;
    }
    t.c_iflag &= (tcflag_t) ~(IGNBRK | BRKINT | PARMRK | ISTRIP | INLCR | IGNCR | ICRNL | IXON);
    t.c_oflag &= (tcflag_t)~OPOST;
    t.c_lflag &= (tcflag_t) ~(ECHO | ECHONL | ICANON | ISIG | IEXTEN);
    t.c_cflag = (t.c_cflag & (tcflag_t) ~(CSIZE | PARENB)) | CS8;
    t.c_cc[VMIN] = 1;
    t.c_cc[VTIME] = 0;
    if (tcsetattr(slave, TCSANOW, &t) != 0 || fcntl(master, F_SETFL, O_NONBLOCK) != 0) {
        return NULL;
    }
    return path;
}

int line_fd(void) { return master; }

static const char *hexadecimal(const uint8_t *data, size_t bytes)
{
    static char hex[2 * sizeof in + 1];
    hex[0] = 0;
    for (size_t i = 0; i < bytes; i++) {
        sprintf(hex + 2 * i, "%02x", data[i]);
    }
    return hex;
}

/* Appends to a buffer as long as in; what it does not hold overruns. */
static void append(uint8_t *to, size_t *end, const uint8_t *data, size_t bytes)
{
    size_t n = bytes < sizeof in - *end ? bytes : sizeof in - *end;
    memcpy(to + *end, data, n);
    *end += n;
}

void line_bring(const uint8_t *data, size_t bytes) { append(coming, &coming_end, data, bytes); }

bool line_arrive(void)
{
    bool any = coming_end > 0;
    append(there, &there_end, coming, coming_end);
    coming_end = 0;
    return any;
}

bool line_waiting(void) { return in_at < in_end || there_end > 0; }

static size_t receive(void)
{
    if (settings.lock_step) {
        size_t n = there_end;
        memcpy(in, there, n);
        there_end = 0;
        return n;
    }
    ssize_t n = read(master, in, sizeof in);
    return n > 0 ? (size_t)n : 0;
}

int panecal_port_read(void)
{
    if (in_at == in_end) {
        in_at = 0;
        in_end = receive();
        if (in_end == 0) {
            return -1;
        }
        if (settings.events) {
            event("line %s", hexadecimal(in, in_end));
        }
    }
    return in[in_at++];
}

/* A serial line takes its bytes whether somebody listens or not; so what a
 * full pseudo-terminal does not take for a second is gone. */
void line_flush(void)
{
    if (settings.lock_step) {
        if (out_end > 0) {
            event("said %s", hexadecimal(out, out_end));
        }
        out_end = 0;
        return;
    }
    size_t at = 0;
    double until = now_ms() + 1000;
    while (at < out_end && now_ms() < until) {
        ssize_t n = write(master, out + at, out_end - at);
        if (n > 0) {
            at += (size_t)n;
        } else {
            struct pollfd p = {master, POLLOUT, 0};
            poll(&p, 1, 10);
        }
    }
    out_end = 0;
}

void panecal_port_write(const uint8_t *bytes, uint32_t count)
{
    if (count > sizeof out - out_end) {
        line_flush();
    }
    memcpy(out + out_end, bytes, count);
    out_end += count;
}

void line_drop(void)
{
    while (receive() > 0) {
    }
    in_at = in_end = 0;
    out_end = 0;
}
