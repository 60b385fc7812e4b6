# Writes sphere_cap.csv: python3 sphere_cap.py > sphere_cap.csv (needs mpmath, takes 12 s).
# Rigid sphere, axially moving cap; Hankel functions of half order, moments by quadrature, 60 digits.
from mpmath import *
mp.dps = 60
def h(n,z): return sqrt(pi/(2*z))*hankel2(n+mpf(1)/2,z)
def dh(n,z): return h(n-1,z)-(n+1)/z*h(n,z) if n>0 else -h(1,z)
def D(z,alpha,gamma,rho):
    c=cos(alpha); N=int(z+8*z**(1/3.)+14)
    s=mpc(0); U0=None
    for n in range(N):
        U=(n+mpf(1)/2)*quad(lambda x:x*legendre(n,x),[c,1])
        if n==0: U0=U
        if rho==0: t=mpc(0,1)**n
        else:
            kr=z*rho; t=h(n,kr)*kr*exp(mpc(0,1)*kr)/mpc(0,1)
        s+=U/U0*t/(mpc(0,1)*z*z*dh(n,z))*legendre(n,cos(gamma))
    return s
print("# mpmath 1.3.0, 60 digits: field of an axially moving cap in a rigid sphere; distance_radii 0 is the far field")
print("kr,half_angle_deg,distance_radii,angle_deg,re,im")
for z,a,rho in [('0.1',30,0),('1',30,0),('3',20,0),('8',15,0),('20',6,0),('45',3,0),('0.5',25,10),('6',25,10),('20',20,8)]:
    for g in (0,35,90,180):
        v=D(mpf(z),radians(mpf(a)),radians(mpf(g)),mpf(rho))
        print(f"{z},{a},{rho},{g},{nstr(v.real,17)},{nstr(v.imag,17)}",flush=True)
