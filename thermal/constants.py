"""Physical constants and the one shift between the two temperature scales in use."""

#: W/(m2 K4); CODATA 2018, exact by definition of the SI.
STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8
#: m/s2, standard acceleration of free fall (3rd CGPM, 1901).
GRAVITY_M_S2 = 9.80665
#: J/(mol K); CODATA 2018, exact.
GAS_J_MOLK = 8.314462618
#: K; definition of the Celsius scale.
ZERO_C_IN_K = 273.15
