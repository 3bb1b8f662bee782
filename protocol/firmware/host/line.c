/* line.c: a pseudo-terminal as the serial line. */
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

const char *line_open(void)
{
    struct termios t;
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

int panecal_port_read(void)
{
    if (in_at == in_end) {
        ssize_t n = read(master, in, sizeof in);
        if (n <= 0) {
            return -1;
        }
        in_at = 0;
        in_end = (size_t)n;
        if (settings.events) {
            static char hex[2 * sizeof in + 1];
            for (size_t i = 0; i < in_end; i++) {
                sprintf(hex + 2 * i, "%02x", in[i]);
            }
            event("line %s", hex);
        }
    }
    return in[in_at++];
}

/* A serial line takes its bytes whether somebody listens or not; so what a
 * full pseudo-terminal does not take for a second is gone. */
void line_flush(void)
{
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

void panecal_port_write(uint8_t byte)
{
    out[out_end++] = byte;
    if (out_end == sizeof out) {
        line_flush();
    }
}

void line_drop(void)
{
    while (read(master, in, sizeof in) > 0) {
    }
    in_at = in_end = 0;
    out_end = 0;
}
