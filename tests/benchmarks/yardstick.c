/* Yardstick for the cohort engine: the same moves, written by hand for one structure, vectorised by the compiler.
   States: at risk, in course, protected, bleeding, post-bleed, rebleeding, transplanted, dead. Adds occupancy over cycles;
   probabilities of the 20 ways in are given per lane: q[way][lane], state[state][lane], sums[state][lane]. */
#define LANES 64
#define ALIVE 7

void run(const double *restrict q, double *restrict state, double *restrict sums, long n, int cycles) {
    for (long a = 0; a + LANES <= n; a += LANES) {
        double s[ALIVE][LANES], u[ALIVE][LANES], w[20][LANES];
        for (int i = 0; i < ALIVE; i++)
            for (int k = 0; k < LANES; k++) { s[i][k] = state[i * n + a + k]; u[i][k] = 0; }
        for (int t = 0; t < 20; t++)
            for (int k = 0; k < LANES; k++) w[t][k] = q[t * n + a + k];
        for (int c = 0; c < cycles; c++)
            for (int k = 0; k < LANES; k++) {
                double risk = s[0][k], course = s[1][k], kept = s[2][k], bled = s[3][k], post = s[4][k], again = s[5][k],
                       other = s[6][k];
                u[0][k] += risk; u[1][k] += course; u[2][k] += kept; u[3][k] += bled; u[4][k] += post; u[5][k] += again;
                u[6][k] += other;
                s[0][k] = w[0][k] * risk;
                s[1][k] = w[1][k] * course + w[2][k] * kept;
                s[2][k] = w[3][k] * course + w[4][k] * kept;
                s[3][k] = w[5][k] * risk + w[6][k] * course + w[7][k] * kept + w[8][k] * bled;
                s[4][k] = w[9][k] * bled + w[10][k] * post + w[11][k] * again;
                s[5][k] = w[12][k] * bled + w[13][k] * post + w[14][k] * again;
                s[6][k] = w[15][k] * risk + w[16][k] * course + w[17][k] * kept + w[18][k] * post + w[19][k] * other;
            }
        for (int i = 0; i < ALIVE; i++)
            for (int k = 0; k < LANES; k++) { state[i * n + a + k] = s[i][k]; sums[i * n + a + k] = u[i][k]; }
    }
}
