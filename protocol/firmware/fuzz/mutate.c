/* mutate.c: drives decoder.c where there is no libFuzzer: mutate [RUNS [START]].
 * Good requests, changed a little, in chains that reach deep into the unit. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define REQUEST(bytes) {bytes, sizeof bytes - 1}
static const struct { const char *bytes; size_t n; } good[] = {
    REQUEST("\x84\x01\x05\x01\xA0"),
    REQUEST("\x84\x02\x05\x02\xA0"),
    REQUEST("\x84\x03\x05\x03\xA5\x01\x07\x02\x01\x03\x01\x04\x19\x13\x88\x05\x02"),
    REQUEST("\x84\x03\x05\x03\xA5\x01\x08\x02\x03\x03\x01\x04\x19\x13\x88\x05\x02"),
    REQUEST("\x84\x04\x05\x04\xA1\x01\x07"),
    REQUEST("\x84\x05\x05\x05\xA5\x01\x07\x02\x01\x03\x01\x04\x01\x05\x18\x50"),
    REQUEST("\x84\x05\x05\x05\xA5\x01\x08\x02\x04\x03\x01\x04\x01\x05\x05"),
    REQUEST("\x84\x05\x05\x05\xA5\x01\x07\x02\x03\x03\x01\x04\x01\x05\x09"),
    REQUEST("\x84\x06\x05\x06\xA2\x01\x01\x02\x19\x01\x40"),
    REQUEST("\x84\x07\x05\x07\xA3\x01\x14\x02\x01\x03\x44\x50\x4E\x4C\x43"),
    REQUEST("\x84\x08\x05\x08\xA2\x01\x14\x02\x1A\xE5\xFE\xE9\x81"),
    REQUEST("\x84\x09\x05\x09\xA0"),
    REQUEST("\x84\x0A\x05\x0A\xA0"),
    REQUEST("\x84\x0B\x05\x0B\xA0"),
    REQUEST("\x84\x0C\x05\x18\x63\xA1\x01\xD8\x45\x42\x01\x02"),
    REQUEST("\x84\x0D\x05\x02\xA2\x18\x63\x82\x83\x01\x61\x41\xA1\x01\x20\x19\x01\x41\x64\xE2\x82\xAC\x41"),
    REQUEST("\x84\x05\x05\x05\xA5\x01\x08\x02\x04\x03\x00\x04\x00\x05\x06"),
    REQUEST("\x84\x05\x05\x05\xA5\x01\x07\x02\x01\x03\x00\x04\x00\x05\x18\x90"),
    REQUEST("\x84\x06\x05\x06\xA2\x01\x00\x02\x19\x04\x00"),
    REQUEST("\x84\x04\x05\x04\xA1\x01\x08"),
};

static uint64_t state;

static uint32_t any(uint32_t n)
{
    state = state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(state >> 33) % n;
}

int main(int argc, char **argv)
{
    unsigned long runs = argc > 1 ? strtoul(argv[1], NULL, 10) : 100000;
    state = argc > 2 ? strtoul(argv[2], NULL, 10) : 1;
    for (unsigned long run = 0; run < runs; run++) {
        static uint8_t input[4096];
        size_t n = 0;
        input[n++] = (uint8_t)any(16);
        if (input[0] % 4 == 3) { /* a block of 2 x 3 zones, or nearly */
            uint32_t bins = any(3), flags = any(2), zones = 6;
            uint32_t bytes = (92 + 4 * zones + 2 * zones * bins) / 4 * 4 + 4 * (flags ? zones : 1) + 68;
            uint8_t *block = input + 3;
            for (uint32_t i = 0; i < bytes; i++) {
                block[i] = (uint8_t)any(256);
            }
            memcpy(block, "PNLC\x01\0", 6);
            block[6] = (uint8_t)flags;
            memcpy(block + 7, "\0", 1);
            memcpy(block + 12, "\x02\0\x03\0\x05\0", 6);
            block[18] = (uint8_t)bins;
            block[19] = 0;
            memset(block + 28, 0, 32);
            block[28] = 'S';
            memset(block + bytes - 8, 0, 4);
            block[bytes - 8] = (uint8_t)any(4);
            if (any(3) == 0) {
                block[any(28)] = (uint8_t)any(256);
            }
            input[1] = (uint8_t)bytes;
            input[2] = (uint8_t)(bytes >> 8);
            n += 2 + bytes;
        }
        for (uint32_t packets = 1 + any(9); packets > 0; packets--) {
            uint32_t which = any(sizeof good / sizeof good[0]), bytes = (uint32_t)good[which].n;
            uint8_t one[256];
            memcpy(one, good[which].bytes, bytes);
            for (uint32_t changes = any(3); changes > 0; changes--) {
                uint32_t at = any(bytes);
                switch (any(4)) {
                case 0:
                    one[at] ^= (uint8_t)(1u << any(8));
                    break;
                case 1:
                    one[at] = (uint8_t)any(256);
                    break;
                case 2:
                    memmove(one + at + 1, one + at, bytes - at);
                    one[at] = (uint8_t)any(256);
                    bytes++;
                    break;
                default:
                    bytes = at + 1;
                    break;
                }
            }
            input[n++] = (uint8_t)bytes;
            input[n++] = 0;
            memcpy(input + n, one, bytes);
            n += bytes;
        }
        LLVMFuzzerTestOneInput(input, n);
    }
    printf("%lu inputs, nothing found\n", runs);
    return 0;
}
