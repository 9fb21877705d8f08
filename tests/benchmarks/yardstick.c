/* Yardstick for the cohort engine: the same moves wired by hand for one structure, one register of lanes at a time.
   States: at risk (r), in course (c), protected (t), bleeding (b), rebleeding (a), post-bleed (p), transplanted (o); the dead
   are what is left. Probabilities p[move][lane] in the model's order of moves and state[state][lane], both with `stride`
   doubles a row; adds occupancy at the start of every cycle to sums, and leaves the last occupancy in state. */
#ifdef __AVX512F__
#define LANES 8
#elif defined(__AVX__)
#define LANES 4
#else
#define LANES 2
#endif
typedef double lanes __attribute__((vector_size(8 * LANES), aligned(8)));
#define ROW(array, i) (*(lanes *)((array) + (i) * stride + k))

void run(const double *restrict p, double *restrict state, double *restrict sums, long stride, long n, int cycles) {
    for (long k = 0; k + LANES <= n; k += LANES) {
        lanes r = ROW(state, 0), c = ROW(state, 1), t = ROW(state, 2), b = ROW(state, 3), q = ROW(state, 4), a = ROW(state, 5),
              o = ROW(state, 6), d = ROW(state, 7);
        const lanes whole = r + c + t + b + q + a + o + d;
        const lanes rb = ROW(p, 0) + ROW(p, 1), ro = ROW(p, 2), rr = 1 - rb - ro - ROW(p, 3);
        const lanes cb = ROW(p, 4) + ROW(p, 5), co = ROW(p, 6), ct = ROW(p, 9), cc = 1 - cb - co - ct - ROW(p, 7) - ROW(p, 8);
        const lanes tb = ROW(p, 10) + ROW(p, 11), to = ROW(p, 12), tc = ROW(p, 14), tt = 1 - tb - to - tc - ROW(p, 13);
        const lanes ba = ROW(p, 16), bq = ROW(p, 17), bb = 1 - ba - bq - ROW(p, 15);
        const lanes aq = ROW(p, 20), aa = 1 - aq - ROW(p, 18);
        const lanes qa = ROW(p, 21), qo = ROW(p, 22), qq = 1 - qa - qo - ROW(p, 23);
        const lanes oo = 1 - ROW(p, 24);
        lanes ur = {0}, uc = {0}, ut = {0}, ub = {0}, uq = {0}, ua = {0}, uo = {0};
        for (int cycle = 0; cycle < cycles; cycle++) {
            ur += r; uc += c; ut += t; ub += b; uq += q; ua += a; uo += o;
            const lanes b1 = (rb * r + cb * c) + (tb * t + bb * b), o1 = (ro * r + co * c) + (to * t + qo * q) + oo * o;
            const lanes c1 = cc * c + tc * t, q1 = bq * b + (qq * q + aq * a), a1 = ba * b + (qa * q + aa * a);
            t = ct * c + tt * t;
            r = rr * r; b = b1; c = c1; q = q1; a = a1; o = o1;
        }
        ROW(state, 0) = r; ROW(state, 1) = c; ROW(state, 2) = t; ROW(state, 3) = b; ROW(state, 4) = q; ROW(state, 5) = a;
        ROW(state, 6) = o; ROW(state, 7) = whole - r - c - t - b - q - a - o;
        ROW(sums, 0) += ur; ROW(sums, 1) += uc; ROW(sums, 2) += ut; ROW(sums, 3) += ub; ROW(sums, 4) += uq; ROW(sums, 5) += ua;
        ROW(sums, 6) += uo; ROW(sums, 7) += cycles * whole - ur - uc - ut - ub - uq - ua - uo;
    }
}
