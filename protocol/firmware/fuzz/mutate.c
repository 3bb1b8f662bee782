/* mutate.c: drives decoder.c where there is no libFuzzer: mutate [RUNS [START]].
 * Good requests, changed a little, in chains that reach deep into the unit. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char *const good[] = {
    "\x84\x01\x05\x01\xA0", "\x84\x02\x05\x02\xA0", "\x84\x03\x05\x03\xA5\x01\x07\x02\x01\x03\x01\x04\x19\x13\x88\x05\x02",
    "\x84\x03\x05\x03\xA5\x01\x08\x02\x03\x03\x01\x04\x19\x13\x88\x05\x02", "\x84\x04\x05\x04\xA1\x01\x07",
    "\x84\x05\x05\x05\xA5\x01\x07\x02\x01\x03\x01\x04\x01\x05\x18\x50", "\x84\x05\x05\x05\xA5\x01\x08\x02\x04\x03\x01\x04\x01\x05\x05",
    "\x84\x05\x05\x05\xA5\x01\x07\x02\x03\x03\x01\x04\x01\x05\x09", "\x84\x06\x05\x06\xA2\x01\x01\x02\x19\x01\x40",
    "\x84\x07\x05\x07\xA3\x01\x14\x02\x01\x03\x44\x50\x4E\x4C\x43", "\x84\x08\x05\x08\xA2\x01\x14\x02\x1A\xE5\xFE\xE9\x81",
    "\x84\x09\x05\x09\xA0", "\x84\x0A\x05\x0A\xA0", "\x84\x0B\x05\x0B\xA0", "\x84\x0C\x05\x18\x63\xA1\x01\xD8\x45\x42\x01\x02",
    "\x84\x0D\x05\x02\xA2\x18\x63\x82\x83\x01\x61\x41\xA1\x01\x20\x19\x01\x41\x64\xE2\x82\xAC\x41",
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
        input[n++] = (uint8_t)any(8); /* half of them as bytes of the line */
        for (uint32_t packets = 1 + any(9); packets > 0; packets--) {
            const char *from = good[any(sizeof good / sizeof good[0])];
            uint8_t one[256];
            uint32_t bytes = 0;
            for (; from[bytes] != 0 || bytes == 0; bytes++) {
                one[bytes] = (uint8_t)from[bytes];
            }
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
