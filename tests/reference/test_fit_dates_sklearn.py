"""The estimator of a plant's requirement obeys scikit-learn's own contract (`check_estimator`)."""

from sklearn.utils.estimator_checks import parametrize_with_checks

from riskcast.habitat.fit_dates import ThermalTimeRegressor


@parametrize_with_checks([ThermalTimeRegressor()])
def test_contract(estimator, check):
    check(estimator)
