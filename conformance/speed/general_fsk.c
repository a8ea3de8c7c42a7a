// How fast a general-purpose FSK demodulator is: liquid-dsp's fskdem, one symbol at a time, no
// timing recovery, no search, no framing. Only its speed is of interest here.
//
//   general_fsk RATE BAUD CENTRE SHIFT SECONDS
//
// makes SECONDS of noise at RATE samples a second, mixes it down by CENTRE hertz and demodulates
// it; prints the times real time of one core.
#include <complex.h>
#include <liquid/liquid.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

int main(int argc, char **argv) {
    if (argc != 6) {
        fprintf(stderr, "say: general_fsk RATE BAUD CENTRE SHIFT SECONDS\n");
        return 2;
    }
    double rate = atof(argv[1]), baud = atof(argv[2]), centre = atof(argv[3]), shift = atof(argv[4]);
    unsigned per_symbol = (unsigned)(rate / baud);
    size_t symbols = (size_t)(atof(argv[5]) * baud);
    float *sound = malloc(symbols * per_symbol * sizeof *sound);
    float complex *symbol = malloc(per_symbol * sizeof *symbol);
    if (!sound || !symbol) return 1;
    for (size_t n = 0; n < symbols * per_symbol; n++) sound[n] = 0.3f * randnf();
    nco_crcf mixer = nco_crcf_create(LIQUID_NCO);
    nco_crcf_set_frequency(mixer, (float)(2 * M_PI * centre / rate));
    // The bandwidth is that from the centre to either tone, in cycles a sample.
    fskdem demodulator = fskdem_create(1, per_symbol, (float)(shift / 2 / rate));
    unsigned long ones = 0;
    double start = now();
    for (size_t s = 0; s < symbols; s++) {
        for (unsigned k = 0; k < per_symbol; k++) {
            nco_crcf_mix_down(mixer, sound[s * per_symbol + k], &symbol[k]);
            nco_crcf_step(mixer);
        }
        ones += fskdem_demodulate(demodulator, symbol);
    }
    double seconds = now() - start;
    printf("%.0f times real time (%lu ones of %zu)\n", symbols / baud / seconds, ones, symbols);
    fskdem_destroy(demodulator);
    nco_crcf_destroy(mixer);
    free(sound);
    free(symbol);
    return 0;
}
