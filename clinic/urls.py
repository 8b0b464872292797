"""Every address of the site. No address holds a patient's name or chart number."""

from django.contrib.auth import views as auth
from django.urls import include, path

from clinic.views.entry import healthz, home

urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("login/", auth.LoginView.as_view(template_name="login/login.html"), name="login"),
    path("logout/", auth.LogoutView.as_view(), name="logout"),
    path("", home, name="home"),
    path("", include("clinic.office_urls")),
    path("", include("production.urls")),
]

handler403 = "clinic.views.entry.forbidden"
handler404 = "clinic.views.entry.not_found"
handler500 = "clinic.views.entry.broken"
