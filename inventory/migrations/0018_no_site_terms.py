"""Terms have versions now."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("inventory", "0016_claims"), ("inventory", "0017_terms_from_site_terms")]
    operations = [migrations.DeleteModel(name="SiteTerms")]
