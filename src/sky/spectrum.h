/* spectrum.h - colours of air and sky: extinction by wavelength, the dark sky with its lines,
 * moonlight and twilight within a passband, all against V, in which sites are described. A public
 * header of the module, beside bright.h.
 *
 * A passband is a box: light is flat in photons per nanometre within it unless said. Factors are
 * photons in the passband against what light of the same V brightness would give that is flat in
 * photons per nanometre: 1 at V by definition of V (but for the lines). */
#ifndef NW_SKY_SPECTRUM_H
#define NW_SKY_SPECTRUM_H

/* Where V is looked at (Bessell, Castelli & Plez 1998; REFERENCES PHO-02v2). */
#define NW_SKY_V_WAVELENGTH_m 545e-9
/* Photons of V = 0 per s, m2 and m of wavelength: 995.5 per s cm2 Angstrom (Bessell, Castelli &
 * Plez 1998, A&A 333, 231; REFERENCES PHO-02v1). */
#define NW_SKY_PHOTONS_V0_s_m2_m 9.955e16
/* Photons per s, m2 and arcsec2 of one rayleigh: 1e10/(4 pi) per s m2 sr (Hunten, Roach &
 * Chamberlain 1956, J. Atmos. Terr. Phys. 8, 345; a definition). */
#define NW_SKY_PHOTONS_RAYLEIGH_s_m2_arcsec2 0.0187043

/* Extinction at a wavelength, of air whose extinction in V is known: molecules by Hansen & Travis
 * 1974 (REFERENCES ATM-11; pressure falls by e in 8.0 km), ozone (0.045 mag at 600 nm: cross
 * sections from memory, 300 Dobson units), and what V has beyond both, dust, as wavelength^-1.3
 * (Angstrom 1929, from memory). Air that is clearer in V than both: both in proportion.
 *   given     extinction_v_mag per airmass; elevation_m; wavelength_m 300 to 1000 nm
 *   returned  mag per airmass
 *   accuracy  within 0.03 mag of the mean of a good site, 400 to 700 nm (ATM-11v1;
 *             test_spectrum.c) */
double nw_sky_extinction_at(double extinction_v_mag, double elevation_m, double wavelength_m);

struct nw_sky_passband {
    double centre_m, width_m;
    double extinction_v_mag, elevation_m; /* of the site */
    double airmass;
};
/* Share of a flat target's light that comes through the air. */
double nw_sky_air_share(const struct nw_sky_passband *band);

/* The dark sky as seen from the ground: airglow and starlight up to V 21.6 at the zenith, with the
 * colours of Patat 2003 (REFERENCES PHO-19v2), of which lines (557.7, 589.3, 630.0, 636.4, 656.3
 * nm; Roach & Gordon 1973, from memory: they change by half from night to night) are set apart: a
 * narrow passband between them sees less, one over them more. What the site has beyond is lamps:
 * taken as flat, for nobody says which. zenith_nl: brightness in V. */
double nw_sky_dark_factor(const struct nw_sky_passband *band, double zenith_nl);
/* Moonlight: sunlight (a black body of 5772 K, IAU 2015 B3) scattered by that air (Krisciunas &
 * Schaefer 1991, eq. 15 with extinction by wavelength; Moon and target at one airmass). */
double nw_sky_moon_factor(const struct nw_sky_passband *band);
/* Twilight with the Sun 10 deg down: Patat et al. 2006, table 1 (REFERENCES PHO-19v1). */
double nw_sky_twilight_factor(const struct nw_sky_passband *band);

#endif
